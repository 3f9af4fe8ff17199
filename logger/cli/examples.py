"""An example of each command, shown at the end of its help. A test parses every one."""

EXAMPLES: dict[str, tuple[str, ...]] = {
    "setup": ("rimelog setup", 'rimelog setup --vacuum-pump "Make, model, serial"'),
    "find": ("rimelog find --ble",),
    "rig new": ("rimelog rig new",),
    "rig check": ("rimelog rig check rig.toml",),
    "calibrate": (
        "rimelog calibrate suction_pressure rig.toml --at open-to-air --by Sam",
        "rimelog calibrate cylinder_mass rig.toml --at empty --at 20lb --by Sam",
    ),
    "cylinder add": (
        "rimelog cylinder add A --tare 27.5lb --water-capacity 47.6lb \\",
        "    --service-pressure 400psi --tested 2024-02 --refrigerant R-407C",
    ),
    "cylinder check": ("rimelog cylinder check A --gross 52.1lb --temperature 71F --pressure 130psig",),
    "cylinder limits": ("rimelog cylinder limits A",),
    "cylinder life": ("rimelog cylinder life A",),
    "cylinder list": ("rimelog cylinder list",),
    "cylinder out": ("rimelog cylinder out A --to reclaimer --paper 4711",),
    "cylinder remove": ("rimelog cylinder remove A",),
    "cylinder show": ("rimelog cylinder show A",),
    "alarms show": ("rimelog alarms show --rig rig.toml",),
    "alarms push": ("rimelog alarms push --add -",),
    "alarms test-push": ("rimelog alarms test-push",),
    "alarms test-sound": ("rimelog alarms test-sound",),
    "alarms out-of-service": ('rimelog alarms out-of-service cylinder-hot --reason "clamp broken"',),
    "alarms return-to-service": ("rimelog alarms return-to-service cylinder-hot",),
    "alarms unshelve": ("rimelog alarms unshelve outlet-pressure",),
    "completion": ("rimelog completion",),
    "service install": ("rimelog service install",),
    "service remove": ("rimelog service remove",),
    "start": (
        "rimelog start rig.toml --refrigerant R-407C --charge 216lb --cylinder A",
        "rimelog start --continue latest",
    ),
    "run": ("rimelog run rig.toml --refrigerant R-407C --charge 216lb --cylinder A",),
    "view": ("rimelog view",),
    "page": ("rimelog page", "rimelog page --no-open", "rimelog page --lan --role operate"),
    "status": ("rimelog status",),
    "next": ("rimelog next",),
    "stage begin": (
        "rimelog stage begin recovery",
        "rimelog stage begin evacuation --target-vacuum 500micron",
        "rimelog stage begin charging --target 216lb",
    ),
    "stage end": ("rimelog stage end",),
    "mark": ("rimelog mark isolated", "rimelog mark pump-oil-changed --ago 5min"),
    "yes": ("rimelog yes", "rimelog yes 3 --cylinder B", "rimelog yes 3 --ago 20min"),
    "no": ("rimelog no 3",),
    "cylinder-swap": ("rimelog cylinder-swap B",),
    "note": ('rimelog note "filter-drier changed"',),
    "correct": (
        "rimelog correct cylinder A tare 27.1lb",
        "rimelog correct stage 2 begin 21:14",
        "rimelog correct --list",
    ),
    "units": ("rimelog units si",),
    "ack": ("rimelog ack",),
    "shelve": ('rimelog shelve outlet-blocked --minutes 20 --reason "new filter-drier"',),
    "autostop arm": ("rimelog autostop arm",),
    "autostop release": ("rimelog autostop release",),
    "stop": ("rimelog stop",),
    "finish": ("rimelog finish",),
    "jobs": ("rimelog jobs --last 10", 'rimelog jobs --customer brewery --verdict fail --words "filter-drier"'),
    "ask": (
        "rimelog ask leaks --over 20%",
        "rimelog ask recovered --year 2026 --csv",
        'rimelog ask --sql "SELECT name, contents_kg FROM cylinders"',
    ),
    "appliance list": ("rimelog appliance list",),
    "appliance show": ('rimelog appliance show "glycol chiller"',),
    "refrigerant-log": ("rimelog refrigerant-log --year 2026", "rimelog refrigerant-log --csv"),
    "take": ("rimelog take rimelog-2026-03-02-01.zip", "rimelog take /media/stick/jobs"),
    "register rebuild": ("rimelog register rebuild",),
    "export": ("rimelog export latest --customer", "rimelog export latest --csv job.csv"),
    "verify": ("rimelog verify rimelog-2026-03-02-01.zip",),
    "timestamp": (
        "rimelog timestamp rimelog-2026-03-02-01.zip \\",
        "    --authority https://timestamp.example",
    ),
    "compare": ("rimelog compare 2026-03-02-01/recovery 2026-03-02-01/recovery-2",),
    "analyze": (
        "rimelog analyze readings.csv --stage decay-test --time s \\",
        "    --column vacuum=Pv:microns --mark isolated=600 --volume 40L",
    ),
    "doctor": ("rimelog doctor latest",),
    "copy": ("rimelog copy latest backup",),
    "close": ("rimelog close latest",),
    "demo": ("rimelog demo --no-view",),
    "sat": ("rimelog sat R-407C --pressure 70psig --line 55F",),
    "refrigerants": ("rimelog refrigerants 407",),
    "device check": ("rimelog device check /dev/ttyACM0",),
}


def epilog(path: str) -> str | None:
    """As click prints it, line by line; of a group, the first of each of its commands, in the order of this table.

    None where there is no example.
    """
    lines = EXAMPLES.get(path) or tuple(
        line for name, (line, *_) in EXAMPLES.items() if name.startswith(f"{path} ") and not line.endswith("\\")
    )
    if not lines:
        return None
    head = "Example:" if sum(line.startswith("rimelog") for line in lines) == 1 else "Examples:"
    return "\n".join(("\b", head, *(f"  {line}" for line in lines)))
