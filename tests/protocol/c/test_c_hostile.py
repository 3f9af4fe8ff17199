"""The invariants of SECURITY.md: under the sanitizers, by libFuzzer, and on a big-endian machine of 32 bits."""

import random
import re
import subprocess
from pathlib import Path

import pytest

from tests.conftest import Figure
from tests.protocol import reference
from tests.protocol.c.library import HERE, SOURCE
from tests.tools import missing, needs

FUZZ = HERE / "fuzz.c"
SANITIZED = ["-std=c99", "-g", "-O1", "-Wall", "-Wextra", "-fsanitize=address,undefined", "-fno-sanitize-recover=all"]
SECONDS = 15


def inputs(folder: Path) -> list[Path]:
    """Inputs of fuzz.c: drawn at random, and every vector row told to a device."""
    rng = random.Random(11)
    made = []
    for _ in range(150):
        length = rng.choice([20, 100, 600, 3000])
        data = bytes(rng.choice([0, 1, 3, 4, 5, 6, 7, 7, 7, rng.randrange(256)]) if i % 3 == 1 else rng.randrange(256)
                     for i in range(length))  # fmt: skip
        made.append(data)
    told = [wire for _, _, wire in reference.valid_rows()] + [data for _, _, data in reference.invalid_rows()]
    for kind in (0x00, 0x41, 0xA2, 0xE5):
        rows = b"".join(
            b"\x02" + bytes((len(part),)) + part
            for wire in told
            for part in (wire[i : i + 200] for i in range(0, len(wire), 200))
        )
        made.append(bytes((kind, 3, 80)) + b"\x07\x00" + rows)
    paths = []
    for i, data in enumerate(made):
        paths.append(folder / f"input{i:03}")
        paths[-1].write_bytes(data)
    return paths


def compiled(compiler: str, target: Path, *options: str, source: Path = SOURCE) -> Path:
    subprocess.run([compiler, *options, "-I", source, FUZZ, source / "rimelog.c", "-o", target], check=True)
    return target


def replayed(program: list[str | Path], paths: list[Path]) -> "subprocess.CompletedProcess[str]":
    return subprocess.run([*program, *paths], capture_output=True, text=True, check=False, timeout=300)


def test_sanitizers_find_nothing(tmp_path: Path) -> None:
    program = compiled(needs("gcc", "address sanitizer"), tmp_path / "replay", *SANITIZED, "-DREPLAY")
    done = replayed([program], inputs(tmp_path))
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.count("\n") == 154


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        ("if (n < r->size)\n        r->block[n] = byte;", "r->block[n] = byte;"),  # a byte beyond the block
        ("if (type & 0x80u)\n", "if (0)\n"),
        ("break;\n        case RL_BY_LIMIT:", "continue;\n        case RL_BY_LIMIT:"),  # a permit that never runs out
        ("if ((uint16_t)(timeout_ms - 1) >=", "if (0 && timeout_ms >="),
        ("d->left = n > 0 ? (uint8_t)(n + 1) : 0;", "d->left = n > 5 ? n - 5 : 0;"),  # cut frames
    ],
)
def test_a_planted_fault_is_found(right: str, wrong: str, tmp_path: Path) -> None:
    """The net has no holes of this size: each invariant, broken on purpose, ends the run."""
    text = (SOURCE / "rimelog.c").read_text()
    assert text.count(right) == 1
    (tmp_path / "rimelog.c").write_text(text.replace(right, wrong))
    (tmp_path / "rimelog.h").write_text((SOURCE / "rimelog.h").read_text())
    program = compiled(
        needs("gcc", "address sanitizer"), tmp_path / "replay", *SANITIZED, "-DREPLAY", "-w", source=tmp_path
    )
    assert replayed([program], inputs(tmp_path)).returncode != 0


def test_libfuzzer_finds_nothing(tmp_path: Path, figure: Figure) -> None:
    clang = needs("clang", "libFuzzer")
    try:
        program = compiled(clang, tmp_path / "fuzz", *SANITIZED, "-fsanitize=fuzzer")
    except subprocess.CalledProcessError:
        missing("the fuzzer's runtime library (libclang-rt-dev)")
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    inputs(corpus)
    done = subprocess.run(
        [program, "-seed=1", f"-max_total_time={SECONDS}", "-max_len=600", "-print_final_stats=1", corpus],
        cwd=tmp_path, capture_output=True, text=True, check=False, timeout=SECONDS + 200,
    )  # fmt: skip
    runs = re.search(r"stat::number_of_executed_units: (\d+)", done.stderr)
    artifacts = [path.read_bytes().hex() for path in tmp_path.glob("crash-*")]
    assert done.returncode == 0, (done.stderr[-3000:], artifacts)
    figure(f"C library under libFuzzer with sanitizers: {runs[1] if runs else 'no'} conversations in {SECONDS} s")


def test_a_big_endian_machine_of_32_bits_says_the_same_bytes(tmp_path: Path) -> None:
    cross = needs("powerpc-linux-gnu-gcc", "a big-endian build")
    emulator = needs("qemu-ppc", "runs the big-endian build")
    options = ["-std=c99", "-O1", "-Wall", "-Wextra", "-Werror", "-DREPLAY"]
    here = compiled(needs("gcc", "the same build for this machine"), tmp_path / "here", *options)
    there = compiled(cross, tmp_path / "there", *options, "-static")
    paths = inputs(tmp_path)
    ours, theirs = replayed([here], paths), replayed([emulator, there], paths)
    assert ours.returncode == 0
    assert theirs.returncode == 0, theirs.stderr[-2000:]
    assert theirs.stdout == ours.stdout
    assert len(set(ours.stdout.split("\n"))) > 100
