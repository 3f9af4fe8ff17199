"""Modbus transmitters."""
