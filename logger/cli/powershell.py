"""Tab completion in PowerShell, which click does not bring: the script for its profile, and the answers it asks for.

Written by PowerShell's documented interface (about_Functions_Argument_Completion, Register-ArgumentCompleter -Native);
the Python side is tested, the script itself has not been run in a PowerShell yet.
"""

import os
import shutil
import subprocess
from pathlib import Path

from click.shell_completion import CompletionItem, ShellComplete, add_completion_class, split_arg_string

PROGRAMS = ("pwsh", "powershell")
ASKED_S = 60.0  # a first start of PowerShell takes its time

# Files and folders are PowerShell's own to complete: where nothing is offered it does. An empty variable is none there.
_SCRIPT = """\
Register-ArgumentCompleter -Native -CommandName %(prog_name)s -ScriptBlock {
    param($wordToComplete, $commandAst, $cursorPosition)
    $env:%(complete_var)s = 'powershell_complete'
    $env:COMP_WORDS = $commandAst.ToString()
    $env:COMP_CWORD = $wordToComplete
    try {
        %(prog_name)s | ForEach-Object {
            $kind, $value, $help = $_ -split "`t", 3
            if ($kind -eq 'plain') {
                $text = if ($value -match '\\s') { "'" + $value.Replace("'", "''") + "'" } else { $value }
                $tip = if ($help) { $help } else { $value }
                [System.Management.Automation.CompletionResult]::new($text, $value, 'ParameterValue', $tip)
            }
        }
    } finally {
        'Env:%(complete_var)s', 'Env:COMP_WORDS', 'Env:COMP_CWORD' |
            ForEach-Object { Remove-Item $_ -ErrorAction SilentlyContinue }
    }
}
"""


class PowerShellComplete(ShellComplete):
    name = "powershell"
    source_template = _SCRIPT

    def get_completion_args(self) -> tuple[list[str], str]:
        begun = os.environ.get("COMP_CWORD", "").strip("'\"")
        words = split_arg_string(os.environ.get("COMP_WORDS", ""))[1:]
        if begun and words and words[-1] == begun:
            words.pop()
        return words, begun

    def format_completion(self, item: CompletionItem) -> str:
        return f"{item.type}\t{item.value}\t{item.help or ''}"


def register() -> None:
    """So that click finds it by its name."""
    add_completion_class(PowerShellComplete)


def profile() -> Path | None:
    """The file that every PowerShell of this user reads at its start; None without a PowerShell."""
    for program in PROGRAMS:
        found = shutil.which(program)
        if found is None:
            continue
        asked = [found, "-NoProfile", "-NonInteractive", "-Command", "$PROFILE.CurrentUserAllHosts"]
        try:
            said = subprocess.run(asked, capture_output=True, text=True, timeout=ASKED_S, check=False).stdout.strip()
        except (OSError, subprocess.TimeoutExpired):
            continue
        if said:
            return Path(said)
    return None
