"""Vacuum decay test."""
