"""Start-up: the machine under load."""
