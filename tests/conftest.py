"""How hypothesis draws its examples: the same ones in every run, or others, and more of them, when asked for.

A run of the checks passes or fails by what is in the tree alone. To look for what the fixed examples do not show:
`RIMELOG_EXAMPLES=10 python -m tests` draws ten times as many at random, each run others.
"""

import contextlib
import importlib
import os
import pkgutil
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

import firmware_protocol
import logger
import sim_device
from tests.once import run_of_tests

EXAMPLES = "RIMELOG_EXAMPLES"  # how many times as many; set: at random
# They wait for daemons and devices in real time, up to two minutes each.
LONG = ("tests/end_to_end", "tests/link/ble/test_ble_end_to_end", "tests/app/test_re", "tests/app/test_frozen",
        "tests/app/test_settle", "tests/export/test_hostile", "tests/firmware", "tests/store/test_cut")  # fmt: skip
MORE = int(os.environ.get(EXAMPLES, "0"))
TIMES = max(MORE, 1)

# How long drawing takes says something about the machine, not about the project.
settings.register_profile("fixed", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("random", settings.get_profile("fixed"), derandomize=False, print_blob=True)
settings.load_profile("random" if MORE else "fixed")


def pytest_configure(config: pytest.Config) -> None:
    while_it_runs = contextlib.ExitStack()
    while_it_runs.enter_context(run_of_tests())
    config.add_cleanup(while_it_runs.close)


Figure = Callable[[str], None]


@pytest.fixture
def figure(record_property: Callable[[str, object], None]) -> Figure:
    """Notes what was measured: a line that the run prints at its end, whether the test passes or fails."""
    return lambda line: record_property("figure", line)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    reports = [report for kind in ("passed", "failed") for report in terminalreporter.getreports(kind)]
    figures = [line for report in reports for name, line in report.user_properties if name == "figure"]
    if figures:
        terminalreporter.section("measured", sep="-")
    for line in sorted(map(str, figures)):
        terminalreporter.line(line)


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Settings written at a test win over those of a profile: what must hold for all is put there."""
    items[:] = _long_ones_first(items, int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1")))
    for owner, name in {place for item in items if (place := _settings_of(item)) is not None}:
        own = getattr(owner, name)
        more = settings(
            own,
            max_examples=own.max_examples * TIMES,
            suppress_health_check={HealthCheck.too_slow, *own.suppress_health_check},
        )
        setattr(owner, name, more)


def _long_ones_first(items: list[pytest.Item], workers: int) -> list[pytest.Item]:
    """So that none of them is the last: each worker begins with the same part of all items, its share of them first."""
    long = [item for item in items if item.nodeid.startswith(LONG)]
    rest = [item for item in items if not item.nodeid.startswith(LONG)]
    out: list[pytest.Item] = []
    for worker in range(workers):
        own = long[worker::workers]
        size = (len(items) * (worker + 1)) // workers - len(out) - len(own)
        out += own + rest[:size]
        rest = rest[size:]
    return out + rest


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
