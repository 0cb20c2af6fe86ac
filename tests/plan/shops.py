"""Shops of one lathe for tests of planned figures: the job worked by hand, and what is changed in it."""

from typing import Any

from runlog.site import Job, Site, parse_site, starter


def shop(zone: str = "Europe/Berlin", *, feeder: dict[str, Any] | None = None, **job: Any) -> tuple[Site, Job]:
    """The starter's site in a zone: bar 1200, top cut 5, minimum remnant 90, pitch 45.5, cycle 75 s, reload 40 s."""
    site = parse_site(starter().replace('time_zone = "Europe/Berlin"', f'time_zone = "{zone}"'))
    changed = site.jobs[0].model_copy(update=job)
    machine = site.machines[0]
    if feeder is not None:
        assert machine.feeder
        machine = machine.model_copy(update={"feeder": machine.feeder.model_copy(update=feeder)})
    return site.model_copy(update={"job_": [changed], "machine_": [machine]}), changed


def nights_all_week(site: Site) -> Site:
    """The same with its night shift on every day, so that the nights of clock changes are planned."""
    shifts = [
        one if one.attended else one.model_copy(update={"days": [*site.shift[0].days, "sat", "sun"]})
        for one in site.shift
    ]
    return site.model_copy(update={"shift": shifts})
