"""Results to pages."""
