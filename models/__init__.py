"""Clean tables to results."""
