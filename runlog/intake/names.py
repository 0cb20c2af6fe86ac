"""Which machine a file, or a device named in it, belongs to."""

from dataclasses import dataclass
from functools import cached_property

from runlog.site import Site, Source


@dataclass(frozen=True)
class MachineNames:
    """Names used inside a source's files and the machines of the site they stand for."""

    source: Source
    site: Site

    @cached_property
    def _told(self) -> dict[str, str]:
        own = {machine.name.lower(): machine.name for machine in self.site.machines}
        return own | {name.lower(): machine for name, machine in self.source.machines.items()}

    def machine(self, *devices: str) -> str | None:
        """The machine: the source's own, else the first of these names that stands for one, else None."""
        return self.source.machine or self.told(*devices)

    def told(self, *devices: str) -> str | None:
        """The machine the first of these names stands for, whatever the source's own; else None."""
        return next((self._told[name.lower()] for name in devices if name.lower() in self._told), None)

    def known_as(self, machine: str | None, *devices: str) -> list[str]:
        """Every name a device document may use for this machine, the likeliest first."""
        others = [name for name, told in self.source.machines.items() if told == machine]
        return [*(name for name in devices if name), *others, *([machine] if machine else [])]
