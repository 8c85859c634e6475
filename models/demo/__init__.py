"""The invented demo data: catalogue, forms, planted mistakes, files."""
