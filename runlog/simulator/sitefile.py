"""The site file of the invented shop, as text."""

from collections.abc import Sequence

from runlog.simulator.shop import (
    ALARMS,
    BY_WORDS,
    FORMATS,
    JOBS,
    NOTE_ITEMS,
    ZONE,
    Job,
    Profile,
    Signal,
    format_of,
    machine_names,
    profile,
    signals_of,
)

WORDS = {
    "EXECUTION": {
        "RUN": "ACTIVE",
        "IDLE": "READY",
        "HOLD": "FEED_HOLD",
        "HALT": "INTERRUPTED",
        "OFF": "STOPPED",
        "DONE": "PROGRAM_COMPLETED",
        "M00": "PROGRAM_STOPPED",
        "M01": "OPTIONAL_STOP",
    },
    "CONTROLLER_MODE": {"AUTO": "AUTOMATIC", "JOG": "MANUAL"},
    "END_OF_BAR": {"1": "YES", "0": "NO"},
}
"""The shop's own words in its CSV files."""
EXTENSIONS = {"csv long": "csv", "csv wide": "csv", "adapter lines": "txt", "mtconnect streams": "xml"}

_HEAD = f"""# Invented shop: every name and number in it is made up.
[site]
name = "Musterdreherei"
time_zone = "{ZONE}"
currency = "EUR"

[[shift]]
name = "early"
start = "06:00"
end = "14:00"
days = ["mon", "tue", "wed", "thu", "fri"]
breaks = [{{ start = "09:00", end = "09:15" }}, {{ start = "12:00", end = "12:30" }}]

[[shift]]
name = "late"
start = "14:00"
end = "22:00"
days = ["mon", "tue", "wed", "thu", "fri"]
breaks = [{{ start = "18:00", end = "18:30" }}]

[[shift]]
name = "night"
start = "22:00"
end = "06:00"
attended = false

[[closure]]
start = 2026-10-03
end = 2026-10-04
reason = "public holiday"
"""


def site_toml(machines: int, formats: Sequence[str] = FORMATS, *, clocks_differ: bool = False) -> str:
    """Site file of the invented shop.

    Parameters
    ----------
    machines : int
        How many, T01 onwards.
    formats : sequence of str
        Formats of the logs; the machines take turns.
    clocks_differ : bool
        The collector's clock is not the control's: the sources then keep the usual clock skew.

    Returns
    -------
    str
        TOML; sources match `logs/<machine>_*` and `logs/setup-notes.csv`.
    """
    names = machine_names(machines)
    blocks = [_HEAD]
    blocks += [_machine(name, profile(number)) for number, name in enumerate(names)]
    blocks += [
        _source(name, profile(number), format_of(number, formats), clocks_differ) for number, name in enumerate(names)
    ]
    blocks.append(_notes_source(names))
    blocks += [_job(job) for job in JOBS.values()]
    blocks += [
        f'[[cause]]\ncause = "{cause}"\n'
        + (f"text = '{BY_WORDS[cause]}'\n" if cause in BY_WORDS else f'codes = ["{alarm.code}"]\n')
        for cause, alarm in ALARMS.items()
    ]
    return "\n".join(blocks)


def _strings(values: Sequence[str]) -> str:
    return "[" + ", ".join(f'"{value}"' for value in values) + "]"


def _machine(name: str, kind: Profile) -> str:
    return (
        f'[[machine]]\nname = "{name}"\nspindles = {_strings(kind.spindles)}\n'
        f"stops_for_breaks = {str(kind.stops_for_breaks).lower()}\n"
        f'feeder = {{ kind = "short magazine", bars_held = {kind.bars_held}, longest_bar_mm = 1250, '
        f"minimum_remnant_mm = {kind.minimum_remnant_mm:g}, planned_reload_s = {kind.planned_reload_s:g} }}\n"
    )


def _key(signal: Signal) -> str:
    fields = {
        "item": signal.item,
        "sub_type": signal.sub_type,
        "component": signal.component,
        "type": signal.type,
    }
    return "{ " + ", ".join(f'{name} = "{value}"' for name, value in fields.items() if value) + " }"


def _source(name: str, kind: Profile, form: str, clocks_differ: bool) -> str:
    lines = [
        "[[source]]",
        f'name = "{name} log"',
        f'files = ["{name}_*.{EXTENSIONS[form]}", "{name}_*.{EXTENSIONS[form]}.gz"]',
        f'format = "{"csv" if form.startswith("csv") else form}"',
        f'machine = "{name}"',
        f"clock_skew_s = {120 if clocks_differ else 0}",
    ]
    if form == "csv wide":
        lines.append(f'time_zone = "{ZONE}"')
        lines.append('csv = { time = "time", code = "code", message = "message" }')
    if form == "csv long":
        lines.append(
            'csv = { time = "time", machine = "machine", signal = "signal", value = "value", '
            'code = "code", message = "message" }'
        )
    lines.append("[source.keys]")
    lines += [f"{signal.key} = {_key(signal)}" for signal in signals_of(kind)]
    if form.startswith("csv"):
        for item, words in WORDS.items():
            lines.append(f"[source.values.{item}]")
            lines += [f'{own} = "{standard}"' for own, standard in words.items()]
    return "\n".join(lines) + "\n"


def _notes_source(names: Sequence[str]) -> str:
    lines = [
        "[[source]]",
        'name = "setup notes"',
        'files = ["setup-notes.csv"]',
        'format = "csv"',
        f'time_zone = "{ZONE}"',
        "clock_skew_s = 0",
        'csv = { time = "time", machine = "machine" }',
        "[source.machines]",
        *[f'{name} = "{name}"' for name in names],
        "[source.keys]",
        *[_note_key(item) for item in NOTE_ITEMS],
    ]
    return "\n".join(lines) + "\n"


def _note_key(item: str) -> str:
    # Filled again with as many bars as the last time is news.
    discrete = ", discrete = true" if item == "BARS_LOADED" else ""
    return f'{item.lower()} = {{ item = "{item}", component = "feeder"{discrete} }}'


def _job(job: Job) -> str:
    fields: dict[str, float | int | None] = {
        "cycle_s": job.cycle_s,
        "part_mm": job.part_mm,
        "parting_mm": job.parting_mm,
        "facing_mm": job.facing_mm,
        "top_cut_mm": job.top_cut_mm,
        "diameter_mm": job.diameter_mm,
        "density_kg_dm3": job.density,
        "price_per_kg": job.price,
        "bar_mm": job.bar_mm,
        "minimum_remnant_mm": job.minimum_remnant_mm,
        "parts_per_bar": job.parts_per_bar,
        "order_quantity": job.order_quantity,
        "planned_reload_s": job.planned_reload_s,
    }
    lines = [f'[[job]]\nname = "{job.name}"\nprograms = ["{job.program}"]\nsection = "{job.section}"']
    lines += [f'material = "{job.material}"\nfeed_mode = "{job.feed_mode}"']
    lines += [f"{name} = {value:g}" for name, value in fields.items() if value is not None]
    return "\n".join(lines) + "\n"
