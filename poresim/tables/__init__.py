"""CSV files as they come from a bench: read, checked, turned to SI units. One line a fault."""
