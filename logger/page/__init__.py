"""The page in a browser: a client of the daemon in a process of its own. Closing it never stops logging, and whatever a
browser does, no alarm waits for it."""
