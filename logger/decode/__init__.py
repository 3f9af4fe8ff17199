"""Raw values of devices as readings in SI units."""
