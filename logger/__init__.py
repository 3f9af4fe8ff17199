"""Rimelog: logger and monitor for refrigeration service work.

`logger.analyse(stage, series, settings)` is the public door to the analyses (logger/pipeline/public.py),
`logger.open_job("latest")` the one to a job (logger/register/opened_job.py).
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from logger.pipeline.public import analyse as analyse
    from logger.register.opened_job import open_job as open_job

__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    """What is public, imported when it is asked for: the command line must not wait for it."""
    if name == "open_job":
        from logger.register.opened_job import open_job

        return open_job
    if name == "analyse":
        from logger.pipeline.public import analyse

        return analyse
    raise AttributeError(f"module 'logger' has no attribute {name!r}")
