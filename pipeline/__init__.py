"""Raw contributed records to clean tables."""
