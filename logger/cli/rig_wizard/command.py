"""`rimelog rig new`: a rig file by question and answer, while the devices are listened to."""

from pathlib import Path

import click


@click.command("new")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), default="rig.toml", show_default=True,
              help="File to write.")  # fmt: skip
@click.option("--url", "urls", multiple=True, metavar="URL", help="Ask here too, such as socket://192.168.1.40:5001.")
@click.option("--no-ports", is_flag=True, help="Leave the serial ports alone: opening one may restart its board.")
@click.option("--ble", "radio", is_flag=True, help="Look for Bluetooth devices too.")
@click.option("--seconds", type=click.FloatRange(0.5, 60), default=6.0, show_default=True, help="How long to look.")
@click.pass_context
def rig_new(ctx: click.Context, out: Path, urls: tuple[str, ...], no_ports: bool, radio: bool, seconds: float) -> None:
    """Make a rig file by question and answer.

    Lists what answers, shows what each channel says now, asks which measuring point it is, and zeroes what may be
    zeroed. A scale or gauge that sends text, or a Modbus transmitter, is asked for by its port. Enter takes the value
    in brackets; Ctrl-C leaves, and nothing is written.
    """
    from logger.app.rig_listening import Listener
    from logger.cli.rig_wizard.steps import Guide
    from logger.config.rig_draft import write_rig

    written = False
    try:
        with Listener() as listener:
            text = Guide(listener).run(out, urls, no_ports, radio, seconds)
        if text is not None:
            write_rig(out, text)
            written = True
    except (KeyboardInterrupt, click.Abort):
        click.echo("\nStopped; nothing was written.", err=True)
        ctx.exit(130)
    if not written:
        click.echo("Nothing was written.")
        ctx.exit(1)
    click.echo(
        f"{out} is written. Next:\n  rimelog rig check {out}\n  rimelog calibrate POINT {out} --by NAME\n"
        f"  rimelog cylinder add NAME ...\n  rimelog start {out}"
    )
