"""The pure heart of the daemon: frames and events in, readings, live values, alarms and findings out.

No clock, no I/O: the same records give the same results, live, after a restart and in `rimelog verify`.
"""
