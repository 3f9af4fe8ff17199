"""Reaching someone: sound, terminal bell, desktop notice, push; and keeping the computer awake meanwhile."""
