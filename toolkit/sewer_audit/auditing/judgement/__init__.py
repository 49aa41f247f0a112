"""Questions 2 and 3: verdict, reasons, the case against, the next proof."""
