"""The words of the job as frozen dataclasses. Pure: no I/O, no clock. Everything above may import it."""
