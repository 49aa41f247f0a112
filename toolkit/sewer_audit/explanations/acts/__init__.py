"""What each cause does to the bill and to the estimates."""
