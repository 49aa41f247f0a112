"""Flow elements: flumes and weirs."""
