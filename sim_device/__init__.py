"""Simulated devices and the plant behind them: physics, named scenarios, faults, served over pty and TCP.

Knows the wire protocol (`firmware_protocol`) and nothing of the logger. Every scenario here is invented.
"""
