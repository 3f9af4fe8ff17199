"""The bell on a real pseudo-terminal, the desktop notice through real processes."""

import asyncio
import os
from pathlib import Path

import pytest

from logger.annunciate import desktop as desktop_module
from logger.annunciate.bell import Bell
from logger.annunciate.desktop import Desktop
from logger.annunciate.errors import ChannelFailed
from logger.annunciate.message import Message
from tests.annunciate.fakes import calls, only_these, program

termios = pytest.importorskip("termios")
pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals and shell scripts")

NOTICE = Message("URGENT: Cylinder is full", 'Stop it; $(touch x) "now" `x` \x1b[2J\nand\u202e close.', urgent=True)


def test_bell_rings_the_terminal() -> None:
    main, side = os.openpty()
    bell = Bell(os.ttyname(side))
    bell.check()
    asyncio.run(bell.ring(False, 0))
    asyncio.run(bell.ring(True, 3))
    heard = b""
    while len(heard) < 3:  # the terminal hands them over when it likes
        heard += os.read(main, 100)
    assert heard == b"\a\a\a"
    bell.close()
    os.close(main)
    os.close(side)


def test_a_terminal_that_takes_nothing_does_not_hold_the_daemon() -> None:
    main, side = os.openpty()
    termios.tcflow(side, termios.TCOOFF)  # as Ctrl-S
    with pytest.raises(ChannelFailed, match="terminal is held"):
        asyncio.run(Bell(os.ttyname(side)).ring(True, 0))
    os.close(main)
    os.close(side)


def test_no_terminal_is_told(tmp_path: Path) -> None:
    with pytest.raises(ChannelFailed, match="no terminal to ring: No such file"):
        Bell(str(tmp_path / "none")).check()


@pytest.mark.parametrize(
    ("platform", "name", "expected"),
    [
        ("linux", "notify-send", ["--app-name=Rimelog", "--urgency=critical", "--"]),
        ("darwin", "osascript", [p for line in desktop_module._APPLESCRIPT for p in ("-e", line)]),
    ],
)
def test_notice_is_handed_over_as_plain_arguments(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, platform: str, name: str, expected: list[str]
) -> None:
    program(tmp_path, name)
    monkeypatch.setenv("PATH", only_these(tmp_path))
    asyncio.run(Desktop(platform).notify(NOTICE))
    (args,) = calls(tmp_path, name)
    assert args == [*expected, NOTICE.title, 'Stop it; $(touch x) "now" `x` [2J and close.']


def test_a_notice_shows_markup_as_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    program(tmp_path, "notify-send")
    monkeypatch.setenv("PATH", only_these(tmp_path))
    asyncio.run(Desktop("linux").notify(Message("Alarm", '5 < 7 & <a href="x">Pump</a>')))
    (args,) = calls(tmp_path, "notify-send")
    assert args[-1] == '5 &lt; 7 &amp; &lt;a href="x"&gt;Pump&lt;/a&gt;'


def test_notice_on_windows_goes_by_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = program(tmp_path, "powershell")
    path.write_text(path.read_text() + f'printf "%s|%s" "$RIMELOG_TITLE" "$RIMELOG_BODY" > "{tmp_path / "env"}"\n')
    monkeypatch.setenv("PATH", only_these(tmp_path))
    asyncio.run(Desktop("win32").notify(NOTICE))
    assert (tmp_path / "env").read_text().startswith("URGENT: Cylinder is full|Stop it; $(touch x)")
    (args,) = calls(tmp_path, "powershell")
    assert args[-1] == desktop_module._POWERSHELL  # no user text in the script


def test_no_desktop_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(ChannelFailed, match="notify-send not found"):
        asyncio.run(Desktop("linux").notify(NOTICE))
    program(tmp_path, "notify-send", fails="Cannot autolaunch D-Bus without X11")
    monkeypatch.setenv("PATH", only_these(tmp_path))
    with pytest.raises(ChannelFailed, match="notify-send: Cannot autolaunch D-Bus"):
        asyncio.run(Desktop("linux").notify(NOTICE))
