"""What the review page draws, as plain arithmetic."""
