"""Evacuation: pull-down to the target vacuum."""
