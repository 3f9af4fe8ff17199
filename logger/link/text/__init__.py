"""Instruments that send lines of text."""
