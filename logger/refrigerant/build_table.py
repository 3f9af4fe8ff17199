"""Writes the shipped table: `python -m logger.refrigerant.build_table [--out FILE] [NAME ...]`.

Needs CoolProp; takes about a minute. The file is plain text, one refrigerant a line, so a change shows in a diff.
First line: format, CoolProp's version and the descriptions; then one line of nodes for each, in the same order.
"""

import argparse
import json
from pathlib import Path

from logger.refrigerant.build import NODES, Built, build
from logger.refrigerant.compositions import SAFETY_SOURCE, compositions, safety_class
from logger.refrigerant.primed import version
from logger.refrigerant.table import FORMAT, TABLE_PATH


def table_text(built: list[Built], coolprop_version: str) -> str:
    """The file's text. Numbers as Python prints them: exact when read back."""
    head = {"format": FORMAT, "coolprop": coolprop_version, "nodes": NODES, "refrigerants": [d for d, _ in built]}
    lines = [head, *(nodes for _, nodes in built)]
    return "".join(json.dumps(line, separators=(",", ":"), ensure_ascii=True) + "\n" for line in lines)


def main() -> None:
    """Build the table, or the named refrigerants alone, and print how well it fits."""
    parser = argparse.ArgumentParser(description="build the saturation table from CoolProp")
    parser.add_argument("--out", type=Path, default=TABLE_PATH)
    parser.add_argument("names", nargs="*", help="only these (default: the whole catalogue)")
    arguments = parser.parse_args()
    built = []
    for name, composition in compositions().items():
        if arguments.names and name not in arguments.names:
            continue
        description, nodes = build(name, composition, safety_class(name), SAFETY_SOURCE)
        share = description["high_pa"] / description["critical_pressure_pa"]
        print(f"{name:13s} {description['tier']:10s} to {share:.3f} of the critical pressure", flush=True)
        built.append((description, nodes))
    arguments.out.write_text(table_text(built, version()), encoding="ascii")
    print(f"{len(built)} refrigerants, {arguments.out.stat().st_size / 1e3:.0f} kB, CoolProp {version()}")


if __name__ == "__main__":
    main()
