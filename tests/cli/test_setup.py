"""`rimelog setup`, completion, and what of the user's settings a job takes over."""

import re
import struct
import subprocess
import sys
import zlib
from datetime import date
from pathlib import Path

import pytest

from logger.config.errors import ConfigError, FileProblems
from logger.config.user_settings import UserSettings, read_logo, read_settings, with_settings, write_settings
from logger.model.job import Job
from tests.cli.commandline import CommandLine


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


PNG = b"".join((
    b"\x89PNG\r\n\x1a\n", _chunk(b"IHDR", struct.pack(">IIBBBBB", 2, 2, 8, 2, 0, 0, 0)),
    _chunk(b"IDAT", zlib.compress((b"\0" + b"\x10\x60\x60" * 2) * 2)), _chunk(b"IEND", b""),
))  # fmt: skip


def test_what_is_kept_is_read_again(tmp_path: Path) -> None:
    kept = UserSettings(
        "si", 'A. "Quote" B', "608-1",
        ("Invented, Inc.", "Street 1"), "/l.png", "make, model", date(2021, 5, 1), "/r.toml",
        vacuum_pump="pump", vacuum_gauge="gauge", recovered_to="reclaimer",
    )  # fmt: skip
    write_settings(tmp_path / "settings.toml", kept)
    assert read_settings(tmp_path / "settings.toml") == kept
    assert (tmp_path / "settings.toml").stat().st_mode & 0o077 == 0
    (tmp_path / "settings.toml").write_text("[settings]\nunits = 'ell'\ncolour = 1\n")
    with pytest.raises(FileProblems, match=r"(?s)settings.units.*settings.colour|settings.colour.*settings.units"):
        read_settings(tmp_path / "settings.toml")


def test_a_job_says_its_own_before_the_settings() -> None:
    kept = UserSettings(operator="Kept", certification="1", company=("C",), recovery_machine="old", vacuum_pump="P")
    own = with_settings(Job("j", "R-22", technician="Own"), kept)
    assert (own.technician, own.certification, own.company, own.vacuum_pump) == ("Own", "1", ("C",), "P")
    dated = UserSettings(recovery_machine="old", recovery_machine_made=date(2020, 1, 1))
    assert with_settings(Job("j", "R-22", recovery_machine="other"), dated).recovery_machine_made is None
    assert with_settings(Job("j", "R-22"), dated).recovery_machine_made == date(2020, 1, 1)


def test_setup_by_options_tells_what_it_keeps_and_refuses_what_is_no_picture(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    command_line = CommandLine(monkeypatch, capsys)
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path / "data"))
    logo = tmp_path / "logo.png"
    logo.write_bytes(PNG)
    ran = command_line("setup", "--units", "si", "--operator", "A. B.", "--company", "One", "--company", "Two",
                       "--logo", logo, "--recovery-machine-made", "2021-05")  # fmt: skip
    assert ran.status == 0, ran.err
    for told in ("A. B.", "One / Two", str(logo), "2021-05-01"):
        assert told in ran.out
    assert "not entered" not in command_line("setup", "--show").out.partition("Operator")[2].partition("\n")[0]
    for content, name in ((b"<svg/>", "logo.svg"), (b"x" * 10, "bad.png"), (PNG[:20], "cut.png")):
        (tmp_path / name).write_bytes(content)
        ran = command_line("setup", "--logo", tmp_path / name)
        assert ran.status == 2, ran.out
        assert name in ran.err
    assert command_line("setup", "--clear", "logo").status == 0
    assert str(logo) not in command_line("setup", "--show").out


def test_a_large_logo_is_refused(tmp_path: Path) -> None:
    (tmp_path / "l.png").write_bytes(PNG + bytes(200_000))
    with pytest.raises(ConfigError, match="200 kB"):
        read_logo(tmp_path / "l.png")


def test_completion_is_installed_once_and_bash_completes_by_it(tmp_path: Path) -> None:
    env = {"PATH": f"{Path(sys.executable).parent}:/usr/bin:/bin", "HOME": str(tmp_path),
           "RIMELOG_DATA": str(tmp_path / "data")}  # fmt: skip
    (tmp_path / ".bashrc").write_text("# mine\n")
    for _ in range(2):
        subprocess.run(["rimelog", "completion", "--shell", "bash", "--yes"], env=env, check=True, capture_output=True)
    rc = (tmp_path / ".bashrc").read_text()
    assert rc.startswith("# mine\n")
    assert rc.count("Tab completion of rimelog") == 1
    asked = {"_RIMELOG_COMPLETE": "bash_complete", "COMP_WORDS": "rimelog stage begin e", "COMP_CWORD": "3"}
    said = subprocess.run(["rimelog"], env=env | asked, check=True, capture_output=True, text=True).stdout
    assert said.split() == ["plain,evacuation"]
    asked = {"_RIMELOG_COMPLETE": "bash_complete", "COMP_WORDS": "rimelog fin", "COMP_CWORD": "1"}
    said = subprocess.run(["rimelog"], env=env | asked, check=True, capture_output=True, text=True).stdout
    assert set(said.split()) == {"plain,find", "plain,finish"}


def test_powershell_completion_is_installed_once_and_answered(tmp_path: Path) -> None:
    """The script is looked at, and asked as it asks; no PowerShell runs here."""
    profile = tmp_path / "Documents" / "PowerShell" / "profile.ps1"
    programs = tmp_path / "programs"
    programs.mkdir()
    (programs / "pwsh").write_text(f'#!/bin/sh\necho "{profile}"\n')
    (programs / "pwsh").chmod(0o755)
    env = {"PATH": f"{programs}:{Path(sys.executable).parent}:/usr/bin:/bin", "HOME": str(tmp_path),
           "RIMELOG_DATA": str(tmp_path / "data")}  # fmt: skip
    install = ["rimelog", "completion", "--shell", "powershell", "--yes"]
    for _ in range(2):
        subprocess.run(install, env=env, check=True, capture_output=True)
    script = tmp_path / ".config" / "rimelog" / "complete.ps1"
    text = script.read_text()
    assert profile.read_text().splitlines().count(f"if (Test-Path '{script}') {{ . '{script}' }}") == 1
    assert "Register-ArgumentCompleter -Native -CommandName rimelog" in text
    for bracket in ("{}", "()", "[]"):
        assert text.count(bracket[0]) == text.count(bracket[1]) > 0
    asked = dict(re.findall(r"\$env:(\w+) = (\S+)", text))
    assert asked == {
        "_RIMELOG_COMPLETE": "'powershell_complete'", "COMP_WORDS": "$commandAst.ToString()",
        "COMP_CWORD": "$wordToComplete",
    }  # fmt: skip
    for words, begun, offered in (
        ("rimelog stage begin e", "e", ["evacuation"]),
        ("rimelog stage", None, ["begin", "end"]),  # after a space the word is empty, and an empty variable is none
    ):
        told = {"_RIMELOG_COMPLETE": "powershell_complete", "COMP_WORDS": words} | (
            {} if begun is None else {"COMP_CWORD": begun}
        )
        said = subprocess.run(["rimelog"], env=env | told, check=True, capture_output=True, text=True).stdout
        assert [line.split("\t")[:2] for line in said.splitlines()] == [["plain", one] for one in offered]
    (programs / "pwsh").unlink()
    refused = subprocess.run(install, env=env, check=False, capture_output=True, text=True)
    assert refused.returncode == 1 and "--show" in refused.stderr
