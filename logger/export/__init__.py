"""Evidence for others: CSV, report, signed bundle, and the check of one. Calls are slow: keep them off the loop."""
