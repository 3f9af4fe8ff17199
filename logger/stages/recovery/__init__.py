"""Recovery: refrigerant out of the system into cylinders."""
