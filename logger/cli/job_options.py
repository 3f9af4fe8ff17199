"""What `rimelog run` and `rimelog start` share: which rig, which job, and what a new job is."""

import logging
import os
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.quantities import F

if TYPE_CHECKING:
    from logger.config.job_file import JobSetup
    from logger.config.user_settings import UserSettings
    from logger.model.job import Job
    from logger.model.rig import Rig
    from logger.refrigerant import Catalogue
    from logger.store.place import JobPlace

log = logging.getLogger(__name__)

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)

rig_argument = click.argument("rig_file", metavar="[RIG.toml]", type=FILE, required=False)


def _all(*options: Callable[[F], F]) -> Callable[[F], F]:
    def add(command: F) -> F:
        for option in reversed(options):
            command = option(command)
        return command

    return add


go_on_options = _all(
    click.option("--continue", "continued", metavar="JOB", help="Continue a job: its id, or `latest`."),
    click.option("--job", "job_id", metavar="ID", help="Id for the new job; by default today's date and a number."),
    click.option("--accept-lost-tail", is_flag=True,
                 help="Continue although earlier records are missing, or no checkpoint saw them."),
    click.option("--no-sound", is_flag=True, help="Never play the alarm tone."),
)  # fmt: skip
job_options = _all(
    click.option("--job-file", type=FILE, help="Job file (TOML)."),
    click.option("--refrigerant", help="Refrigerant in the system, such as R-407C."),
    click.option("--charge", help="Full charge of the system, such as 220lb."),
    click.option("--customer", help="Whose system it is."),
    click.option("--site", help="Where it is."),
    click.option("--appliance", help="The customer's own name for the system."),
    click.option("--technician", help="Who works on it; by default the operator of `rimelog setup`."),
    click.option("--cylinder", help="Which of your kept cylinders is on the scale."),
    click.option("--units", type=click.Choice(["us", "si"]), help="By default those of `rimelog setup`."),
)


@dataclass(frozen=True, slots=True)
class JobWords:
    """What was typed of the job; None where nothing was."""

    continued: str | None = None
    job_id: str | None = None
    job_file: Path | None = None
    refrigerant: str | None = None
    charge: str | None = None
    customer: str | None = None
    site: str | None = None
    appliance: str | None = None
    technician: str | None = None
    cylinder: str | None = None
    units: str | None = None

    @property
    def own_id(self) -> str | None:
        """Of a job that exists, whose devices it may have itself."""
        from logger.store.place import find_job

        return find_job(self.continued).job_id if self.continued is not None else self.job_id

    def typed_options(self, *but: str) -> list[str]:
        """The options that were typed."""
        given = [f.name for f in fields(self) if getattr(self, f.name) is not None and f.name not in but]
        return ["--" + name.replace("_", "-") for name in given]


def settings_path() -> Path:
    from logger.config.user_settings import FILE_NAME
    from logger.store.place import data_dir

    return data_dir() / FILE_NAME


def user_settings() -> "UserSettings":
    from logger.config.user_settings import read_settings

    return read_settings(settings_path())


def logo_of(job: "Job") -> dict[str, Any]:
    """The field of JobOpened; none for an invented job, or when the picture cannot be read any more."""
    import base64

    from logger.config.errors import ConfigError
    from logger.config.user_settings import read_logo

    logo = "" if job.invented else user_settings().logo
    if not logo:
        return {}
    try:
        return {"logo": base64.b64encode(read_logo(Path(logo))).decode()}
    except ConfigError as exc:
        log.warning("the report will have no logo: %s", exc)
        return {}


def chosen_rig(rig_file: Path | None, continued: str | None) -> "Rig":
    """As `chosen_rig_file` says; the one that the job had when it goes on without one named."""
    from logger.config.rig_file import load_rig

    chosen = chosen_rig_file(rig_file, continued)
    if chosen is None:
        assert continued is not None
        return _recorded_rig(continued)
    return load_rig(chosen)


def chosen_rig_file(rig_file: Path | None, continued: str | None) -> Path | None:
    """The file named, the one of `rimelog setup`, or rig.toml where the command is typed; None: what the job had."""
    if rig_file is not None or continued is not None:
        return rig_file
    chosen = user_settings().rig or ("rig.toml" if Path("rig.toml").is_file() else "")
    if not chosen:
        raise click.UsageError("name a rig file (`rimelog rig new` makes one), or keep one with `rimelog setup --rig`")
    return Path(chosen)


def _recorded_rig(job: str) -> "Rig":
    from logger.evidence.errors import ChainError
    from logger.model.events import RigLoaded
    from logger.store.errors import StoreError
    from logger.store.place import find_job
    from logger.store.reader import StoreReader

    place, rig = find_job(job), None
    try:
        with StoreReader(place.file) as reader:
            for _, event in reader.events():
                rig = event.rig if isinstance(event, RigLoaded) else rig
    except ChainError as exc:
        raise StoreError(f"job {place.job_id}: its rig cannot be read ({exc}); name the rig file") from exc
    if rig is None:
        raise StoreError(f"job {place.job_id} has no rig in its record; name the rig file")
    return rig


def chosen_job(words: JobWords, catalogue: "Catalogue") -> "tuple[JobPlace, JobSetup | None]":
    """The place, made, and what a new job is; None for one that goes on. Faults are told before anything is made."""
    from logger.clock import local_day
    from logger.store.errors import StoreBusy
    from logger.store.lock import holder_of
    from logger.store.place import find_job, job_place, jobs, lock_path, new_job

    if words.continued is not None:
        more = words.typed_options("continued", "units")
        if more:
            raise click.UsageError(
                f"--continue keeps the job as it is: {', '.join(more)} would change nothing. "
                "Go on without; what is wrong in it is put right by `rimelog correct`, at any time"
            )
        return find_job(words.continued), None
    setup = _new_job(words, catalogue)  # first, so that a wrong entry leaves no empty job behind
    if words.job_id is None:
        place = new_job(local_day())
    else:
        for there in jobs():
            if there.job_id == words.job_id:
                holder = holder_of(lock_path(there.file))
                if holder is not None:
                    raise StoreBusy(f"job {words.job_id} is already being written by {holder}; end that one first")
                raise click.UsageError(f"there is a job {words.job_id}: go on with it by --continue {words.job_id}")
        place = job_place(words.job_id)
    return place, replace(setup, job=replace(setup.job, job_id=place.job_id))


def _new_job(words: JobWords, catalogue: "Catalogue") -> "JobSetup":
    """Its id is still to come."""
    from logger.cli.quantities import cylinders_path
    from logger.config.cylinders import find_cylinder
    from logger.config.job_file import job_from_words, load_job
    from logger.config.user_settings import with_settings
    from logger.register.cylinders_now import with_contents

    settings = user_settings()
    if words.job_file is not None:
        more = words.typed_options("job_id", "job_file", "cylinder", "units")
        if more:
            raise click.UsageError(f"{', '.join(more)}: write it into the job file, or leave --job-file out")
        setup = load_job(words.job_file, "", catalogue)
        if words.units is not None:
            setup = replace(setup, job=replace(setup.job, units=words.units))
    elif words.refrigerant is not None:
        names = ("refrigerant", "customer", "site", "appliance", "technician")
        entered = {name: getattr(words, name) for name in names} | {"full_charge": words.charge}
        entered["units"] = words.units or settings.units
        setup = job_from_words({k: v for k, v in entered.items() if v}, "", catalogue)
    else:
        raise click.UsageError("name a --job-file, a --refrigerant, or --continue a job")
    if words.cylinder is not None:
        first = next((c for c in setup.cylinders if c.name == words.cylinder), None)
        first = first or with_contents((find_cylinder(cylinders_path(), words.cylinder, catalogue),))[0]
        setup = replace(setup, cylinders=(first, *(c for c in setup.cylinders if c.name != first.name)))
    return replace(setup, job=with_settings(setup.job, settings))


def refuse_devices_in_use(rig: "Rig", own_id: str | None) -> None:
    """Raises StoreBusy when another job's logger has a device of this rig: two readers of a port get half each."""
    from logger.api.client import Client, DaemonError, read_address
    from logger.store.errors import StoreBusy
    from logger.store.place import running_jobs

    for place in running_jobs():
        if place.job_id == own_id:
            continue
        try:
            devices = Client(read_address(place.run_file), timeout_s=3.0).status()["devices"]
        except DaemonError:
            continue
        for device in rig.devices:
            if any(_same(device.url, device.device_id, used) for used in devices):
                raise StoreBusy(
                    f"{device.name} ({device.url or device.device_id}) is in use by job {place.job_id}, which is "
                    f"logging now. Watch it: `rimelog view --job {place.job_id}`. "
                    f"End it first: `rimelog stop --job {place.job_id}`"
                )


def _same(url: str | None, device_id: str | None, used: dict[str, Any]) -> bool:
    if device_id and device_id == used["id"]:
        return True
    return bool(url) and _where(str(url)) == _where(used["url"])


def _where(url: str) -> str:
    """One name of a port: /dev/serial/by-id/... and /dev/ttyUSB0 are one."""
    return os.path.realpath(url) if url.startswith("/") else url.casefold()


def resumable() -> "JobPlace | None":
    """The job begun last of those that no person ended: its computer went down, or its program."""
    from logger.store.place import jobs, latest

    cut = [place for place in jobs() if place.going_on_file.exists() and not place.running]
    return latest(cut) if cut else None
