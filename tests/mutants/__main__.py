"""`python -m tests.mutants [module ...]`: how many small faults in the code would its tests notice?

Each mutant of a module is tried with those of its tests that run the changed line, the quickest first. Survivors that
were judged are in survivors.md beside this file, with the reason why each may live, and what share was killed when;
others are printed and make the exit status 1, and so does a share killed below the target. Not in CI: it takes an hour.
"""

import argparse
import random
import re
import sys
import time
from pathlib import Path

from tests.mutants.mutate import mutants
from tests.mutants.trial import survivors_of

ROOT = Path(__file__).resolve().parent.parent.parent
JUDGED = Path(__file__).with_name("survivors.md")
TARGET = 0.92
TARGETS: dict[str, tuple[str, ...]] = {
    "logger.scale.state": ("tests/scale/test_state.py",),
    "logger.scale.rate": ("tests/scale/test_rate.py",),
    "logger.scale.ledger": ("tests/scale/test_ledger.py", "tests/scale/test_state.py"),
    "logger.scale.outage": ("tests/scale/test_state.py",),
    "logger.scale.time_left": ("tests/scale/test_time_left.py",),
    "logger.cylinder.limits": ("tests/cylinder/test_cylinder.py",),
    "logger.cylinder.filling_rules": ("tests/cylinder/test_cylinder.py",),
    "logger.cylinder.checks": ("tests/cylinder/test_cylinder.py",),
    "logger.cylinder.scale_guard": ("tests/cylinder/test_scale_guard.py",),
    "logger.alarms.overrides": ("tests/alarms/test_overrides.py", "tests/alarms/test_overfill.py"),
    "logger.alarms.permit": ("tests/alarms/test_permit.py",),
    "logger.app.relay": ("tests/app/test_relay.py",),
    "logger.evidence.chain": ("tests/evidence/test_chain.py",),
    "logger.evidence.safezip": ("tests/evidence/test_bagit.py",),
    "logger.store.tail": ("tests/store/test_tail.py",),
    "logger.link.session.session": ("tests/link/test_session.py",),
    "logger.api.access": ("tests/api/test_access.py",),
    "firmware_protocol.framing": ("tests/protocol/test_framing.py",),
    "firmware_protocol.messages": ("tests/protocol/test_messages.py", "tests/protocol/test_vectors.py"),
}


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.mutants", description=__doc__.splitlines()[0])
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="such as scale.state; all when none is given")
    parser.add_argument("--sample", type=int, metavar="N", help="no more than N mutants a module, drawn by --seed")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    listed = {name.removeprefix("logger."): name for name in TARGETS}
    if unknown := set(given.modules) - set(listed):
        parser.error(f"not listed: {', '.join(sorted(unknown))}; listed: {', '.join(listed)}")
    chosen = {listed[name]: TARGETS[listed[name]] for name in given.modules or listed}
    judged, met = read_judged(JUDGED.read_text()), True
    for module, tests in chosen.items():
        met &= try_module(module, tests, judged.get(module, set()), given)
    return 0 if met else 1


def read_judged(text: str) -> dict[str, set[str]]:
    """Names of the judged survivors by module: a heading each, a line `- NAME: why` a survivor."""
    found: dict[str, set[str]] = {}
    module = ""
    for line in text.splitlines():
        if line.startswith("## "):
            module = line[3:].strip()
        elif entry := re.match(r"- (.+?: `.*?` -> `.*?`(?: #\d+)?): ", line):
            found.setdefault(module, set()).add(entry[1])
    return found


def try_module(module: str, tests: tuple[str, ...], judged: set[str], given: argparse.Namespace) -> bool:
    """Prints the share killed and the survivors; whether that is enough."""
    path = ROOT / (module.replace(".", "/") + ".py")
    every = mutants(path.read_text())
    if given.sample is not None and len(every) > given.sample:
        every = random.Random(given.seed).sample(every, given.sample)
    begun = time.monotonic()
    survivors = [every[i] for i in survivors_of(module, path, every, [str(ROOT / test) for test in tests])]
    share = 1 - len(survivors) / max(len(every), 1)
    fresh = [mutant for mutant in survivors if mutant.name not in judged]
    took = (time.monotonic() - begun) / 60
    print(f"{module}: {share:.1%} of {len(every)} killed, {len(fresh)} of {len(survivors)} survivors not judged"
          f" ({took:.0f} min)")  # fmt: skip
    for mutant in sorted(fresh, key=lambda m: m.lines.start):
        print(f"  line {mutant.lines.start}: {mutant.name}")
    sys.stdout.flush()
    return share >= TARGET and not fresh


if __name__ == "__main__":
    sys.exit(main())
