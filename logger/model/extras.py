"""Packages that only some need, and how they are added to what is installed."""


def how_to_add(package: str) -> str:
    """By each of the ways of README.md to install."""
    return f"`pipx inject rimelog {package}`, or `pip install {package}` in Rimelog's venv"
