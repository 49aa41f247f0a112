"""What readings are worth: levels, means, noise, gaps, quality."""
