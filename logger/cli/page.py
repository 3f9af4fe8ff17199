"""`rimelog page`."""

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from logger.cli.act_commands import JOB_OPTION, client

if TYPE_CHECKING:
    import asyncio

    from logger.page.page_server import PageServer
    from logger.page.pairing import BrowserSession

PORT = click.IntRange(1, 65535)
ROLES = ("view", "acknowledge", "operate")


@click.command()
@JOB_OPTION
@click.option("--port", type=PORT, show_default="8471, or any that is free", help="Port on this computer.")
@click.option("--no-open", is_flag=True, help="Print the address only.")
@click.option("--lan", is_flag=True, help="Let phones on the same network in, each by a code.")
@click.option("--role", type=click.Choice(ROLES), default="view", show_default=True,
              help="What the first phone may do.")  # fmt: skip
@click.option("--lan-port", type=PORT, show_default="8472, or any that is free", help="Port for phones.")
def page(job: str | None, port: int | None, no_open: bool, lan: bool, role: str, lan_port: int | None) -> None:
    """Watch and steer the running job in the browser of this computer; Ctrl-C ends the page, logging continues.

    The address works once, within ten minutes, in one browser. Only this computer can reach it; with --lan phones on
    the same network can, each by a code of its own that says what it may do.
    """
    import asyncio
    import contextlib

    from logger.api.client import DaemonError
    from logger.cli.job_options import user_settings
    from logger.cli.view import listed_cylinders
    from logger.clock import local_clock, read_system
    from logger.page.lan_door import LanDoor, LanRefused
    from logger.page.page_door import listening
    from logger.page.page_server import Page, PageServer
    from logger.store.errors import StoreError

    daemon = client(job)
    daemon.status()  # a missing daemon is reported before anything is opened
    running = daemon.address.job_id  # a job begun later is another page's

    def paired(session: "BrowserSession") -> None:
        what = "a browser" if session.local else f"a phone ({session.role}, {session.address})"
        click.echo(f"{local_clock(read_system().wall_ns)}: {what} is connected")

    shown = Page(
        lambda: client(running), (DaemonError, StoreError), cylinders=listed_cylinders,
        operator=user_settings().operator, paired=paired,
    )  # fmt: skip
    try:
        listener = listening(port)
    except OSError as exc:
        raise click.ClickException(f"port {port} cannot be used: {exc.strerror}; name another with --port") from exc

    async def serve() -> None:
        server = PageServer(shown, listener, LanDoor(lan_port))
        terminal = PageTerminal(server)
        click.echo(f"The page of job {running}, once within 10 min:")
        address = terminal.address()
        click.echo(terminal.help)
        if lan:
            try:
                terminal.phone(role)
            except LanRefused as exc:
                raise click.ClickException(str(exc)) from exc
        _at_each_line(asyncio.get_running_loop(), terminal.do)
        if not no_open:
            _open(address)
        await server.run()

    with contextlib.suppress(KeyboardInterrupt):  # the server has ended in order by then
        asyncio.run(serve())


class PageTerminal:
    """What can be typed in the terminal that serves the page, in the server's loop."""

    help = (
        "Enter: another address. For a phone: view, acknowledge or operate, and who holds it. list; revoke N.\n"
        "Ctrl-C ends the page; logging continues."
    )

    def __init__(self, server: "PageServer") -> None:
        self._server, self._pairing = server, server.page.pairing

    def do(self, line: str) -> None:
        from logger.page.lan_door import LanRefused

        word, _, rest = line.strip().partition(" ")
        if not word:
            self.address()
        elif word in ROLES:
            try:
                self.phone(word, rest.strip())
            except LanRefused as exc:
                click.echo(str(exc))
        elif word == "list":
            self._list()
        elif word == "revoke" and rest.strip().isdecimal():
            click.echo("Revoked." if self._pairing.revoke(int(rest)) else "No such browser; type list.")
        else:
            click.echo(self.help)

    def address(self) -> str:
        made = f"{self._server.url}/#{self._pairing.new_code().text}"
        click.echo(f"  {made}")
        return made

    def phone(self, role: str, name: str = "") -> None:
        """Opens the network's door when it is closed. Raises LanRefused."""
        from logger.page.pairing import Role
        from logger.page.phones import MAX_NAME, SNIFFED, code_url, qr_text

        self._server.lan.open()
        bases = self._server.lan.bases()
        if not bases:
            click.echo(
                "This computer is on no network. Join the same Wi-Fi as the phone, or its hotspot; then type again."
            )
            return
        code = self._pairing.new_code(Role(role), name[:MAX_NAME] or self._server.page.operator, local=False)
        if not self._server.lan.tls:
            click.echo(SNIFFED)
        held = f", {code.name}" if code.name else ""
        click.echo(f"For a phone on the same network ({role}{held}), once within 10 min:")
        try:
            click.echo("\n".join(click.style(line, fg="bright_white", bg="black") for line in
                                 qr_text(code_url(code, bases[0])).splitlines()))  # fmt: skip
        except UnicodeEncodeError:  # an old Windows terminal: by the address, or by the page
            pass
        for base in bases:
            click.echo(f"  {code_url(code, base)}")

    def _list(self) -> None:
        from logger.clock import read_system
        from logger.page.phones import session_line

        sessions = list(self._pairing.sessions())
        for one in sessions:
            click.echo(f"  {one.n}  {session_line(one, self._server.page.now_s(), read_system().wall_ns)}")
        if not sessions:
            click.echo("  No browser is connected.")


def _at_each_line(loop: "asyncio.AbstractEventLoop", do: Callable[[str], None]) -> None:
    """While there is a person at the terminal."""
    import contextlib
    import sys
    import threading

    def lines() -> None:
        with contextlib.suppress(RuntimeError):  # the loop has ended
            for line in sys.stdin:
                loop.call_soon_threadsafe(do, line)

    if sys.stdin is not None and sys.stdin.isatty():
        threading.Thread(target=lines, name="page address", daemon=True).start()


def _open(address: str) -> None:
    import threading
    import webbrowser

    threading.Thread(target=webbrowser.open, args=(address,), name="browser", daemon=True).start()
