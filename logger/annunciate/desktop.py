"""A notice on the desktop, where there is one. Text is handed over as arguments or environment, never as script."""

import html
import os
import shutil
import sys

from logger.annunciate.background import run_program
from logger.annunciate.errors import ChannelFailed
from logger.annunciate.message import Message
from logger.model.text import clean

TIMEOUT_S = 10.0
_APPLESCRIPT = ("on run argv", "display notification (item 2 of argv) with title (item 1 of argv)", "end run")
_POWERSHELL = (
    "Add-Type -AssemblyName System.Windows.Forms;"
    "$n = New-Object System.Windows.Forms.NotifyIcon;"
    "$n.Icon = [System.Drawing.SystemIcons]::Warning; $n.Visible = $true;"
    "$n.ShowBalloonTip(15000, $env:RIMELOG_TITLE, $env:RIMELOG_BODY, 'Warning');"
    "Start-Sleep -Seconds 5; $n.Dispose()"
)


class Desktop:
    name = "desktop"

    def __init__(self, platform: str = sys.platform) -> None:
        self._platform = platform

    async def notify(self, message: Message) -> None:
        """Raises ChannelFailed: no desktop, no notice program."""
        title, body = clean(message.title, 100) or "Rimelog", clean(message.body, 500)
        env = None
        if self._platform == "win32":
            argv = ["powershell", "-NoProfile", "-NonInteractive", "-Command", _POWERSHELL]
            env = {**os.environ, "RIMELOG_TITLE": title, "RIMELOG_BODY": body}
        elif self._platform == "darwin":
            argv = ["osascript", *(part for line in _APPLESCRIPT for part in ("-e", line)), title, body]
        else:
            urgency = "critical" if message.urgent else "normal"
            plain = html.escape(body, quote=False)  # a notice's body is markup (freedesktop's notification standard)
            argv = ["notify-send", "--app-name=Rimelog", f"--urgency={urgency}", "--", title, plain]
        program = shutil.which(argv[0])
        if program is None:
            raise ChannelFailed(f"no desktop notices here: {argv[0]} not found")
        await run_program([program, *argv[1:]], TIMEOUT_S, env)
