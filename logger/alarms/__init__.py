"""Alarms: rules, the ISA-18.2 state machine as one table, defaults for every stage. Pure: is given the time."""
