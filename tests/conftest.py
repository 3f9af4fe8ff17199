"""How hypothesis draws its examples: the same ones in every run, or others, and more of them, when asked for.

A run of the checks passes or fails by what is in the tree alone. To look for what the fixed examples do not show:
`RIMELOG_EXAMPLES=10 python -m tests` draws ten times as many at random, each run others.
"""

import contextlib
import importlib
import os
import pkgutil
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

import firmware_protocol
import logger
import sim_device
from tests import programs

EXAMPLES = "RIMELOG_EXAMPLES"  # how many times as many; set: at random
MORE = int(os.environ.get(EXAMPLES, "0"))

# How long drawing takes says something about the machine, not about the project.
settings.register_profile("fixed", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("random", settings.get_profile("fixed"), derandomize=False, print_blob=True)
settings.load_profile("random" if MORE else "fixed")


def pytest_configure(config: pytest.Config) -> None:
    while_it_runs = contextlib.ExitStack()
    while_it_runs.enter_context(programs.made_at_need())
    config.add_cleanup(while_it_runs.close)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Settings written at a test win over those of a profile: what must hold for all is put there."""
    for owner, name in {place for item in items if (place := _settings_of(item)) is not None}:
        own = getattr(owner, name)
        more = settings(
            own,
            max_examples=own.max_examples * max(MORE, 1),
            suppress_health_check={HealthCheck.too_slow, *own.suppress_health_check},
        )
        setattr(owner, name, more)


def _settings_of(item: pytest.Item) -> tuple[Any, str] | None:
    test = getattr(item, "obj", None)
    test = getattr(test, "__func__", test)
    for owner, name in ((test, "_hypothesis_internal_use_settings"), (getattr(item, "cls", None), "settings")):
        if isinstance(getattr(owner, name, None), settings):
            return owner, name
    return None


def pytest_collection_finish() -> None:
    """Import all there is to import where tests run in an order that differs from run to run.

    Hypothesis draws some examples from the constants in modules imported so far.
    """
    if "PYTEST_XDIST_WORKER" in os.environ:
        for package in (firmware_protocol, logger, sim_device):
            for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
                if not module.name.endswith("__main__"):
                    importlib.import_module(module.name)
