"""Streams of bytes: serial and TCP."""
