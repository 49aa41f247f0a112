"""An evidence folder made anew and held against the received one."""
