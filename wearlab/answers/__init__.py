"""One module per question."""
