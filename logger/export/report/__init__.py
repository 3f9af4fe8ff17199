"""The report as PDF."""
