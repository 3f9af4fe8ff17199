"""The local HTTP API: how commands and screens talk to the running daemon. Loopback only, token needed."""
