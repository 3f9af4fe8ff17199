"""The dependencies, as far as they can be audited without a vulnerability service: declared, used, whole, free to ship.

Whether one of the pinned versions has a known vulnerability needs a service that is not asked here (pip-audit).
"""

import ast
import importlib.metadata
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parent.parent
ROOMS = ("logger", "firmware_protocol", "sim_device")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
RUNTIME = {canonicalize_name(Requirement(line).name) for line in PROJECT["dependencies"]}
EXTRAS = {
    canonicalize_name(Requirement(line).name)
    for name, lines in PROJECT["optional-dependencies"].items()
    if name != "test"
    for line in lines
}
# Looked for at run time, and its absence is told: the simulated device's radio.
LOOKED_FOR = {"bumble"}
# What may be shipped with an MIT program and its users' own code: permissive, and copyleft of single files or fonts.
FREE = ("MIT", "BSD", "Apache", "ISC", "PSF", "Python Software Foundation", "MPL-2.0", "Mozilla Public License 2.0",
        "OFL-1.1", "Zlib", "0BSD", "Unlicense", "Public Domain")  # fmt: skip


def _imports(path: Path) -> Iterator[str]:
    """Top-level names, those of `importlib.import_module("name")` included."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.Import(names=names):
                yield from (alias.name.partition(".")[0] for alias in names)
            case ast.ImportFrom(module=str(module), level=0):
                yield module.partition(".")[0]
            case ast.Call(func=ast.Attribute(attr="import_module" | "find_spec"), args=[ast.Constant(value=str(name))]):
                yield name.partition(".")[0]


def _third_party() -> dict[str, str]:
    """Distribution -> a file that imports it."""
    of_module = importlib.metadata.packages_distributions()
    found: dict[str, str] = {}
    for room in ROOMS:
        for path in sorted((ROOT / room).rglob("*.py")):
            for name in _imports(path):
                if name not in sys.stdlib_module_names and name not in ROOMS:
                    distribution = of_module.get(name, [name])[0]
                    found.setdefault(canonicalize_name(distribution), str(path.relative_to(ROOT)))
    return found


def test_every_import_is_declared_and_every_runtime_dependency_imported() -> None:
    used = _third_party()
    allowed = RUNTIME | EXTRAS | LOOKED_FOR
    assert {name: path for name, path in used.items() if name not in allowed} == {}
    assert RUNTIME - set(used) == set()


def test_the_protocol_needs_nothing_but_python() -> None:
    for path in (ROOT / "firmware_protocol").rglob("*.py"):
        assert {n for n in _imports(path) if n not in sys.stdlib_module_names} <= {"firmware_protocol"}, path


def test_what_is_installed_fits_together() -> None:
    done = subprocess.run([sys.executable, "-m", "pip", "check"], capture_output=True, text=True, check=False)
    if "No module named pip" in done.stderr:
        pytest.skip("this environment was made without pip")
    assert done.returncode == 0, done.stdout


def _closure(name: str, seen: set[str]) -> set[str]:
    """What a distribution brings with it on this platform."""
    key = canonicalize_name(name)
    if key not in seen:
        seen.add(key)
        for line in importlib.metadata.requires(name) or []:
            need = Requirement(line)
            if need.marker is None or need.marker.evaluate({"extra": ""}):
                _closure(need.name, seen)
    return seen


def _licence(name: str) -> str:
    metadata = importlib.metadata.metadata(name)
    stated = "".join(metadata.get_all("License-Expression") or [])
    classifiers = [c for c in metadata.get_all("Classifier") or [] if c.startswith("License ::")]
    return stated or "; ".join(classifiers) or "".join(metadata.get_all("License") or [])[:80]


def test_everything_shipped_states_a_licence_that_lets_it_be_shipped() -> None:
    seen: set[str] = set()
    for name in RUNTIME:
        _closure(name, seen)
    stated = {name: _licence(name) for name in sorted(seen)}
    assert {name: text for name, text in stated.items() if not any(word in text for word in FREE)} == {}


def test_the_pinned_versions_are_those_of_the_whole_closure() -> None:
    lines = (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pinned = {canonicalize_name(line.partition("==")[0]) for line in lines if "==" in line and not line.startswith("#")}
    seen: set[str] = set()
    for name in RUNTIME:
        _closure(name, seen)
    assert seen - pinned - {"pip"} == set()  # pip is what installs them
