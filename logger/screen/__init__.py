"""The terminal screen: a client of the daemon. Closing it never stops logging."""
