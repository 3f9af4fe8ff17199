"""`rimelog page`."""

from collections.abc import Callable

import click

from logger.cli.act_commands import JOB_OPTION, client


@click.command()
@JOB_OPTION
@click.option("--port", type=click.IntRange(1, 65535), show_default="8471, or any that is free",
              help="Port on this computer.")  # fmt: skip
@click.option("--no-open", is_flag=True, help="Print the address only.")
def page(job: str | None, port: int | None, no_open: bool) -> None:
    """Watch and steer the running job in the browser of this computer; Ctrl-C ends the page, logging continues.

    The address works once, within ten minutes, in one browser; Enter prints another. Only this computer can reach it.
    """
    import asyncio
    import contextlib

    from logger.api.client import DaemonError
    from logger.cli.job_options import user_settings
    from logger.cli.view import listed_cylinders
    from logger.clock import local_clock, read_system
    from logger.page.page_server import Page, PageServer, listening
    from logger.store.errors import StoreError

    daemon = client(job)
    daemon.status()  # a missing daemon is reported before anything is opened
    running = daemon.address.job_id  # a job begun later is another page's

    def paired() -> None:
        click.echo(f"{local_clock(read_system().wall_ns)}: a browser is connected")

    shown = Page(
        lambda: client(running), (DaemonError, StoreError), cylinders=listed_cylinders,
        operator=user_settings().operator, paired=paired,
    )  # fmt: skip
    try:
        listener = listening(port)
    except OSError as exc:
        raise click.ClickException(f"port {port} cannot be used: {exc.strerror}; name another with --port") from exc

    async def serve() -> None:
        server = PageServer(shown, listener)
        address = f"{server.url}/#{shown.pairing.new_code()}"
        click.echo(f"The page of job {running}, once within 10 min:\n  {address}")
        click.echo("Enter: another address. Ctrl-C ends the page; logging continues.")
        _ask_for_more(lambda: click.echo(f"  {server.url}/#{shown.pairing.new_code()}"))
        if not no_open:
            _open(address)
        await server.run()

    with contextlib.suppress(KeyboardInterrupt):  # the server has ended in order by then
        asyncio.run(serve())


def _ask_for_more(more: Callable[[], None]) -> None:
    """At each Enter, while there is a person at the terminal."""
    import sys
    import threading

    def lines() -> None:
        for _ in sys.stdin:
            more()

    if sys.stdin is not None and sys.stdin.isatty():
        threading.Thread(target=lines, name="page address", daemon=True).start()


def _open(address: str) -> None:
    import threading
    import webbrowser

    threading.Thread(target=webbrowser.open, args=(address,), name="browser", daemon=True).start()
