"""The evidence page: verdict, story, record, balance, invoices, letter."""
