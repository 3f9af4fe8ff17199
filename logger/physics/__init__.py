"""Laws of gases and refrigerants as plain functions."""
