"""One invoice's facts to priced lines, exactly."""
