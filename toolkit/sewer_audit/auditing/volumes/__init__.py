"""What left the site, with everything uncertain in it."""
