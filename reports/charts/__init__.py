"""Charts, one module per question."""
