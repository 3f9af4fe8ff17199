"""The conversation by the protocol: no port, no clock."""
