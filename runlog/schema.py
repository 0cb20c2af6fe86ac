"""Every frame that crosses a room's border: its columns, types, units and meaning.

A `Table` is a name, a paragraph and its columns. `Table.conform` puts a frame into the table's column
order and types and is the last line of every function that makes one, so what a function returns can be
read here. Times are UTC with microseconds; a column's unit is in its name (`_s` seconds, `_mm`, `_kg`).
Null means "not known", never zero.
"""

from dataclasses import dataclass
from typing import Final

import polars as pl

INSTANT: Final = pl.Datetime("us", "UTC")
TEXT: Final = pl.String()
NUMBER: Final = pl.Float64()
COUNT: Final = pl.Int64()
FLAG: Final = pl.Boolean()
DATE: Final = pl.Date()


@dataclass(frozen=True)
class Column:
    """One column: its type and what it means."""

    dtype: pl.DataType
    meaning: str


@dataclass(frozen=True)
class Table:
    """A named frame with one documented schema.

    Attributes
    ----------
    name : str
        As in `runlog export NAME`.
    about : str
        What one row is.
    columns : dict of str to Column
        In the order in which they are stored and exported.
    """

    name: str
    about: str
    columns: dict[str, Column]

    @property
    def schema(self) -> pl.Schema:
        """Column names and types, in order."""
        return pl.Schema({name: column.dtype for name, column in self.columns.items()})

    def conform(self, frame: pl.LazyFrame, keep: tuple[str, ...] = ()) -> pl.LazyFrame:
        """Select this table's columns in order and cast them to its types; a missing one is an error.

        Columns named in `keep` stay of the type they have: the machine's name is a small whole number while
        facts are being derived.
        """
        return frame.select(
            pl.col(name) if name in keep else pl.col(name).cast(column.dtype) for name, column in self.columns.items()
        )

    def empty(self) -> pl.LazyFrame:
        """No rows, every column."""
        return pl.LazyFrame(schema=self.schema)


def _table(name: str, about: str, **columns: tuple[pl.DataType, str]) -> Table:
    return Table(name, about, {key: Column(*value) for key, value in columns.items()})


# --- words ---------------------------------------------------------------------------------------

SPAN_KINDS: Final = ("producing", "reloading", "setting", "stopped", "no signal")
OUTCOMES: Final = ("clean", "slow", "retried", "failed", "empty", "unclear")
"""Reload outcomes; null while a reload is still open at the end of the log."""
FAULT_OUTCOMES: Final = ("retried", "failed")
UNRATED_OUTCOMES: Final = ("empty", "unclear")
BROUGHT_OUTCOMES: Final = ("clean", "slow", "retried")
"""Outcomes of reloads that brought a bar."""
ENDED_BY: Final = ("stop", "visit", "order complete", "out of bars", "no signal", "window")
LIMITS: Final = ("time", "bars", "order")
NO_JOB: Final = "no job"

CAUSE_GROUPS: Final[dict[str, str]] = {
    "magazine empty": "bar supply",
    "misfeed": "bar supply",
    "bar jammed": "bar supply",
    "double feed": "bar supply",
    "short bar": "bar supply",
    "remnant not ejected": "bar supply",
    "feeder fault": "bar supply",
    "no bar or feeder fault": "bar supply",
    "tool life ended": "tooling",
    "tool broken": "tooling",
    "catcher full": "part handling",
    "pick-off failed": "part handling",
    "drive fault": "machine",
    "hydraulics": "machine",
    "lubrication": "machine",
    "coolant low": "machine",
    "air pressure": "machine",
    "swarf nest": "swarf",
    "conveyor jammed": "swarf",
    "programmed stop": "program",
    "hung in cycle": "program",
    "feed hold": "people",
    "door opened": "people",
    "emergency stop": "people",
    "waiting for operator": "people",
    "gauging": "people",
    "count reached": "order",
    "no work planned": "order",
    "maintenance": "planned",
    "warm-up": "planned",
    "power lost": "services",
    "signal lost": "services",
    "fire system tripped": "services",
    "other alarm": "machine",
    "unexplained": "unexplained",
}
"""Causes a stop can have and the group each belongs to; a site file may add its own."""

NO_ORDER_GROUPS: Final = ("order", "planned")
"""Groups whose stops are no delay of an order: there is none to run, or the stop was planned (ISO 22400-2 ADOT)."""

NOT_FAILURE_GROUPS: Final = ("order", "people", "planned", "program")
"""Groups whose stops are not failures in the sense of MTTR and time between failures."""

STOP_ENDINGS: Final[dict[str, str]] = {"count reached": "order complete", "magazine empty": "out of bars"}
"""What ended an unattended run that stood with one of these causes; with any other, `stop`."""

# --- what readers produce ------------------------------------------------------------------------

EVENTS: Final = _table(
    "events",
    "One observation as a file gave it. Items and values use the MTConnect vocabulary.",
    machine=(TEXT, "name in the site file"),
    at=(INSTANT, "when it happened, as used by everything after"),
    stamped=(INSTANT, "the stamp in the log; differs from `at` only by the two-clocks rule"),
    item=(TEXT, "standard type in upper snake case: EXECUTION, PART_COUNT, CONDITION, ..."),
    sub_type=(TEXT, "ACTUAL, REMAINING, GOOD, ...; empty if none"),
    component=(TEXT, "main, sub, feeder, path, ...; empty if none"),
    data_item=(TEXT, "the item's own id or key in its source; never empty"),
    text=(TEXT, "the value as written (UNAVAILABLE stays a value); a condition's level in upper case"),
    number=(NUMBER, "the value when numeric, else null"),
    code=(TEXT, "native code of a condition, else null"),
    type=(TEXT, "a condition's type (SYSTEM, LOGIC_PROGRAM, ...), else null"),
    level=(TEXT, "a condition's level: NORMAL, WARNING, FAULT, UNAVAILABLE; else null"),
    message=(TEXT, "a condition's or message's words, else null"),
    condition_id=(TEXT, "identity of one activation, else null; falls back on the code"),
    discrete=(FLAG, "every occurrence counts, even of the same value"),
    head=(FLAG, "restated at the head of its file: a state, not news"),
    nth=(COUNT, "the how-manieth return to this value at this stamp within its file, from 0"),
    source=(TEXT, "name of the source in the site file"),
    file=(TEXT, "identity of the file"),
    body_start=(INSTANT, "first stamp of the file's body: the first key of the order of files"),
    line=(COUNT, "where in the file: line, element or row number; with `cell` the order at one instant"),
    cell=(COUNT, "which observation of that line, from 0"),
)

REJECTS: Final = _table(
    "rejects",
    "One piece of a file that could not be read, with its reason; nothing is dropped in silence.",
    source=(TEXT, "name of the source in the site file"),
    file=(TEXT, "identity of the file"),
    path=(TEXT, "name of the file when it was read"),
    line=(COUNT, "line, element or row number"),
    cell=(COUNT, "which observation of that line, from 0"),
    raw=(TEXT, "the text as it stood there"),
    reason=(TEXT, "what was found and what was expected"),
    read_at=(INSTANT, "when it was read"),
)

PROGRESS: Final = _table(
    "progress",
    "One row a file, or a piece of one as it was read: how far, and what became of every observation offered.",
    source=(TEXT, "name of the source"),
    machine=(TEXT, "machine, or empty where the file names several"),
    file=(TEXT, "identity of the file"),
    path=(TEXT, "name when read"),
    format=(TEXT, "csv, adapter lines, mtconnect streams"),
    begins=(COUNT, "bytes of the file before this piece"),
    offset=(COUNT, "bytes of the file up to its end, all of them read and committed"),
    prefix=(TEXT, "identity of these bytes: a file that begins with them is the same, grown or renamed"),
    rows=(COUNT, "lines, elements or rows read"),
    offered=(COUNT, "observations offered = events + rejects + unchanged + ignored"),
    events=(COUNT, "observations kept"),
    rejects=(COUNT, "observations or lines refused"),
    unchanged=(COUNT, "immediate repeats of a value, not kept"),
    ignored=(COUNT, "comments, commands, assets, unmapped cells"),
    moved=(COUNT, "events moved by the two-clocks rule"),
    moved_most_s=(NUMBER, "the furthest move [s]; null when none moved"),
    first_at=(INSTANT, "earliest body instant"),
    last_at=(INSTANT, "latest instant"),
    note=(TEXT, "what a person should know of this file; empty if nothing"),
    read_at=(INSTANT, "when it was read"),
)

# --- facts ---------------------------------------------------------------------------------------

SPANS: Final = _table(
    "spans",
    "A machine's time, tiled: no gap, no overlap, from its first event to its horizon.",
    machine=(TEXT, "name in the site file"),
    start=(INSTANT, "first instant, included"),
    end=(INSTANT, "last instant, excluded"),
    kind=(TEXT, "producing, reloading, setting, stopped, no signal"),
    cause=(TEXT, "the cause of the stop this span belongs to; null unless stopped"),
    attended=(FLAG, "somebody was there: evidence in the log, or a shift planned as attended"),
    program=(TEXT, "program selected; null if never told"),
    job=(TEXT, "job the instant belongs to, or `no job`"),
)

PARTS: Final = _table(
    "parts",
    "One part, by the instant it was counted.",
    machine=(TEXT, "name in the site file"),
    at=(INSTANT, "when it was counted; spread evenly where a counter skipped"),
    job=(TEXT, "job, or `no job`"),
    program=(TEXT, "program selected; null if never told"),
    cycle_s=(NUMBER, "time since the part before, stopped and reloading time out; null for a first part"),
    good=(FLAG, "null: quality was not measured"),
    counted_in_batch=(FLAG, "the counter moved by more than one: `at` is spread, not seen"),
    made_unseen=(FLAG, "the spread instant falls into lost signal"),
    setting=(FLAG, "counted in setting: in the bar account, in no ratio and no order"),
    evidence=(TEXT, "what counted it: counter ALL, GOOD and BAD, program completed, ..."),
)

RELOADS: Final = _table(
    "reloads",
    "One bar change, all evidence between two counted parts.",
    machine=(TEXT, "name in the site file"),
    start=(INSTANT, "see docs/rules.md: last part counted before the attempt, else first evidence"),
    end=(INSTANT, "next cycle, COMPLETE or NO; the failure; the horizon while open"),
    outcome=(TEXT, "clean, slow, retried, failed, empty, unclear; null while open at the horizon"),
    attempts=(COUNT, "attempts seen"),
    duration_s=(NUMBER, "end less start [s]"),
    planned_s=(NUMBER, "planned reload time of job or feeder [s]; null if neither gives it"),
    evidence=(TEXT, "most trusted evidence: MATERIAL_CHANGE, END_OF_BAR, LENGTH, signal, REMAINING"),
    hand_load=(FLAG, "begun in setting or in MANUAL: in the bar account, in no rate"),
    attended=(FLAG, "somebody was there at its start"),
    job=(TEXT, "job, or `no job`"),
    program=(TEXT, "program selected"),
    material=(TEXT, "of the job; null without one"),
    diameter_mm=(NUMBER, "of the job; null without one"),
    feed_mode=(TEXT, "of the job; null without one"),
    lot=(TEXT, "bar lot as last noted; null if not"),
    liner=(TEXT, "as last noted; null if not"),
    pusher=(TEXT, "as last noted; null if not"),
    bar_position=(
        COUNT,
        "how-manieth bar since the magazine was last noted as filled, from 1; null if not noted",
    ),
    run_hour=(NUMBER, "hours since the unattended run began [h]; null outside runs"),
    first_out_at=(INSTANT, "when the first feeder alarm of this reload came up; null if none"),
    first_out_code=(TEXT, "its native code"),
    first_out_text=(TEXT, "its words"),
    first_out_cause=(TEXT, "its cause by the site's rules"),
)

BARS: Final = _table(
    "bars",
    "One bar in the spindle, from the reload that brought it to the next, with its stock account.",
    machine=(TEXT, "name in the site file"),
    loaded_at=(INSTANT, "end of the reload that brought it, or the first cycle after a failed one"),
    finished_at=(INSTANT, "start of the next reload; null while still in the spindle"),
    job=(TEXT, "job of its first part, or `no job`"),
    parts=(COUNT, "parts made from it"),
    good_parts=(COUNT, "good ones; null: quality was not measured"),
    loaded_mm=(NUMBER, "length loaded [mm]"),
    loaded_basis=(TEXT, "measured, planned; null if neither"),
    used_mm=(NUMBER, "parts, parting, facing and top cut [mm]; null without a job"),
    parts_mm=(NUMBER, "of it: length of all parts [mm]"),
    good_mm=(NUMBER, "of it: length of good parts [mm]; null: quality was not measured"),
    parting_mm=(NUMBER, "of it: parting and facing [mm]"),
    top_cut_mm=(NUMBER, "of it: top cut [mm]"),
    remnant_mm=(NUMBER, "what was left [mm]"),
    remnant_basis=(TEXT, "measured, inferred; null if neither"),
    unaccounted_mm=(NUMBER, "loaded - used - remnant; only with measured load and remnant [mm]"),
    planned_parts=(COUNT, "parts per bar by the plan; null without a job"),
    planned_remnant_mm=(NUMBER, "remnant by the plan [mm]; null without a job"),
    remnant_kg=(NUMBER, "mass of the remnant [kg]; null without section or density"),
    planned_remnant_kg=(NUMBER, "mass of the planned remnant [kg]"),
    remnant_cost=(NUMBER, "price of the remnant, in the site's currency; null without a price"),
    flag=(TEXT, "unaccounted stock, fewer parts than planned, end unknown; null if nothing to say"),
    material=(TEXT, "of the job; null without one"),
    diameter_mm=(NUMBER, "of the job [mm]; null without one"),
    lot=(TEXT, "bar lot as last noted when its reload began; null if not"),
    kg_per_mm=(NUMBER, "mass of the stock [kg/mm]; null without a job"),
    price_per_kg=(NUMBER, "price of the stock, in the site's currency; null without one"),
)

STOPS: Final = _table(
    "stops",
    "A maximal stretch of stopped spans, with the cause decided at its start.",
    machine=(TEXT, "name in the site file"),
    start=(INSTANT, "first instant, included"),
    end=(INSTANT, "last instant, excluded"),
    duration_s=(NUMBER, "end less start [s]"),
    cause=(TEXT, "first-out by the site's rules, else what the state says, else unexplained"),
    cause_group=(TEXT, "group of the cause"),
    basis=(TEXT, "alarm, state, or none"),
    code=(TEXT, "native code of the first-out; null without one"),
    text=(TEXT, "its words; null without one"),
    consequences=(COUNT, "further faults that came up before the stop ended"),
    consequence_codes=(TEXT, "their codes in order of appearance, comma separated; null if none"),
    minor=(FLAG, "shorter than `minor_stop`"),
    night_ending=(FLAG, "the unattended run did not restart before somebody came"),
    open=(FLAG, "still standing at the horizon"),
    job=(TEXT, "job at its start, or `no job`"),
    named_by=(TEXT, "who named the cause; null: the log did"),
)

ALARMS: Final = _table(
    "alarms",
    "One activation of a condition, warning or fault.",
    machine=(TEXT, "name in the site file"),
    start=(INSTANT, "when it came up"),
    end=(INSTANT, "when it cleared; null while active at the horizon"),
    level=(TEXT, "WARNING or FAULT, the higher it reached"),
    component=(TEXT, "feeder, path, ...; empty if none"),
    type=(TEXT, "SYSTEM, LOGIC_PROGRAM, ..."),
    code=(TEXT, "native code; null without one"),
    text=(TEXT, "its words"),
    cause=(TEXT, "by the site's rules; `other alarm` where none fits"),
    stop=(INSTANT, "start of the stop it belongs to; null if none"),
    first_out=(FLAG, "it is that stop's first-out"),
    restated=(FLAG, "a reconnect repeated it: no new activation"),
)

UNATTENDED_RUNS: Final = _table(
    "unattended_runs",
    "A machine's run in a window planned with nobody present.",
    machine=(TEXT, "name in the site file"),
    window_start=(INSTANT, "start of the window"),
    start=(INSTANT, "window start if producing or reloading then, else first production"),
    planned_end=(INSTANT, "end of the window"),
    end=(INSTANT, "see `ended_by`"),
    ended_by=(TEXT, "stop, visit, order complete, out of bars, no signal, window; null while running"),
    cause=(TEXT, "cause of the night-ending stop; null if none ended it"),
    parts=(COUNT, "parts counted in the run, setting parts out"),
    reloads=(COUNT, "reloads that ended in the run"),
    bars=(COUNT, "bars loaded in the run"),
    planned_parts=(NUMBER, "planned from its start to the window's end, not floored; null without a job"),
    limit=(TEXT, "time, bars or order: what bound the plan"),
    job=(TEXT, "job at its start, or `no job`"),
)

CHANGEOVERS: Final = _table(
    "changeovers",
    "From the last good part of one job to the first good part of the next.",
    machine=(TEXT, "name in the site file"),
    from_job=(TEXT, "job before"),
    to_job=(TEXT, "job after"),
    start=(INSTANT, "last good part of the old job"),
    setting_start=(INSTANT, "first attended evidence after it, or the program change if earlier"),
    end=(
        INSTANT,
        "first good part of the new job; without quality, first part followed by another undisturbed",
    ),
    waiting_s=(NUMBER, "before setting began [s]"),
    working_s=(NUMBER, "from then on [s]"),
    what_changed=(TEXT, "diameter, material, section, feed mode, part: what differs between the jobs"),
)

SHIFT_FIGURES: Final = _table(
    "shift_figures",
    "Seconds and counts of a machine, shift and job; ratios are computed from them when asked.",
    machine=(TEXT, "name in the site file"),
    shift_date=(DATE, "local date on which the shift starts"),
    shift=(TEXT, "name in the site file"),
    job=(TEXT, "job, or `no job`"),
    attended=(FLAG, "planned with somebody present"),
    shift_start=(INSTANT, "start of the shift"),
    shift_end=(INSTANT, "end of the shift"),
    pbt_s=(NUMBER, "planned busy time, ISO 22400-2 PBT [s]"),
    producing_s=(NUMBER, "spans producing [s]"),
    reload_planned_s=(NUMBER, "first planned seconds of each reload [s]"),
    reload_overrun_s=(NUMBER, "the rest of each reload [s]"),
    setting_s=(NUMBER, "spans setting, ISO 22400-2 AUST [s]"),
    stopped_s=(NUMBER, "stops that are not minor [s]"),
    minor_stops_s=(NUMBER, "minor stops [s]"),
    no_signal_s=(NUMBER, "no signal, time without a log included [s]"),
    adet_s=(
        NUMBER,
        "ISO 22400-2 ADET: reload overrun and stops while a job is on, causes of groups order and planned out [s]",
    ),
    apt_s=(NUMBER, "actual production time, ISO 22400-2 APT = producing + planned reload [s]"),
    pri_s=(NUMBER, "planned run time per item, ISO 22400-2 PRI [s]; null without a job or measured cycle"),
    pri_basis=(TEXT, "job, or measured median; null if neither"),
    parts=(COUNT, "produced quantity PQ, setting parts out"),
    good_parts=(COUNT, "good quantity GQ; null: quality was not measured"),
    parts_unseen=(COUNT, "parts D made unseen"),
    setting_parts=(COUNT, "counted in setting"),
    main_turning_s=(NUMBER, "main spindle turns while EXECUTION is ACTIVE [s]; null: not measured"),
    sub_turning_s=(NUMBER, "sub-spindle turns while EXECUTION is ACTIVE [s]; null: not measured"),
    both_turning_s=(NUMBER, "both turn at once while ACTIVE [s]; null: not measured"),
    reloads=(COUNT, "rated reloads: begun here, hand loads, empty and unclear out"),
    reload_faults=(COUNT, "retried or failed"),
    reloads_unrated=(COUNT, "empty or unclear"),
    reloads_timed=(COUNT, "rated reloads begun here that brought a bar: those a mean time is taken of"),
    reloads_timed_s=(NUMBER, "their length, wherever it falls [s]"),
    reloads_timed_planned_s=(NUMBER, "as long as they were planned to take [s]; null where nothing was planned"),
    stops=(COUNT, "stops begun here, minor ones out"),
    minor_stops=(COUNT, "minor stops begun here"),
    failures=(COUNT, "stops begun here, not minor, cause outside order, people, planned and program"),
    failures_s=(NUMBER, "stopped time of these failures, wherever it falls, lost signal left out [s]"),
    off_plan_parts=(COUNT, "parts outside planned busy time"),
    off_plan_s=(NUMBER, "seconds produced outside planned busy time [s]"),
)

SHIFT_LOSSES: Final = _table(
    "shift_losses",
    "Stopped seconds of a machine, shift and job by cause, minor stops in a line of their own.",
    machine=(TEXT, "name in the site file"),
    shift_date=(DATE, "local date on which the shift starts"),
    shift=(TEXT, "name in the site file"),
    job=(TEXT, "job, or `no job`"),
    loss=(TEXT, "stops or minor stops"),
    cause=(TEXT, "cause"),
    seconds=(NUMBER, "within planned busy time [s]"),
    count=(COUNT, "stops begun here"),
)

SHIFT_LOADS: Final = _table(
    "shift_loads",
    "How long a spindle turned at a load, in planned busy time while EXECUTION was ACTIVE; where LOAD is told.",
    machine=(TEXT, "name in the site file"),
    shift_date=(DATE, "local date on which the shift starts"),
    shift=(TEXT, "name in the site file"),
    job=(TEXT, "job, or `no job`"),
    component=(TEXT, "spindle: main or sub"),
    load=(NUMBER, "as told, rounded to whole per cent [%]"),
    seconds=(NUMBER, "for so long [s]"),
)

SHIFT_PLANS: Final = _table(
    "shift_plans",
    "What a machine was to make in a shift, by the order system or by the job running at its start.",
    machine=(TEXT, "name in the site file"),
    shift_date=(DATE, "local date on which the shift starts"),
    shift=(TEXT, "name in the site file"),
    attended=(FLAG, "planned with somebody present"),
    shift_start=(INSTANT, "start of the shift"),
    shift_end=(INSTANT, "end of the shift"),
    job=(TEXT, "job at its start, or `no job`; jobs of the order system, comma separated"),
    pbt_s=(NUMBER, "planned busy time of the whole shift, ISO 22400-2 PBT [s]"),
    standard_time_s=(NUMBER, "planned run time per item, ISO 22400-2 PRI [s]; null without a job"),
    parts_per_bar=(COUNT, "by the plan; null without a job"),
    bars=(COUNT, "bars in the magazine at its start; null without a feeder"),
    bars_basis=(TEXT, "noted, magazine (taken as full); null without a feeder"),
    bars_held=(COUNT, "bars the magazine holds; null without a feeder"),
    parts_left=(COUNT, "parts left on the bar in the spindle; null before the first reload"),
    order_left=(COUNT, "parts the order still wants; null without an order"),
    planned_parts=(NUMBER, "the plan in force, not floored; null without a job"),
    computed_parts=(NUMBER, "what time, bars and order allow; null without a job"),
    basis=(TEXT, "where planned_parts comes from: computed, or order system; null without a plan"),
    limit=(TEXT, "time, bars or order: what binds; null without a job"),
    run_out_at=(INSTANT, "when bars run out by the plan; null where they do not bind"),
)

PLANS: Final = _table(
    "plans",
    "What the order system planned for a machine, shift and job; it goes before what is computed.",
    machine=(TEXT, "name in the site file"),
    shift_date=(DATE, "local date on which the shift starts"),
    shift=(TEXT, "name in the site file"),
    job=(TEXT, "name in the site file"),
    quantity=(COUNT, "parts to make, 0 counts; null takes back what was given before"),
    file=(TEXT, "name of the file"),
    line=(COUNT, "where in it"),
    read_at=(INSTANT, "when it was read"),
)

SCRAP: Final = _table(
    "scrap",
    "Bad parts of a machine's shift as somebody wrote them down; a shift that is named is measured.",
    shift_date=(DATE, "local date on which the shift starts"),
    shift=(TEXT, "name in the site file"),
    machine=(TEXT, "name in the site file"),
    job=(TEXT, "name in the site file"),
    quantity=(COUNT, "bad parts, 0 counts"),
    reason=(TEXT, "why; null if not told"),
    file=(TEXT, "name of the file"),
    line=(COUNT, "where in it"),
    read_at=(INSTANT, "when it was read"),
)

REPORTED: Final = _table(
    "reported",
    "What `runlog week` last showed of a machine's shift, so that it can say what has changed since.",
    week=(TEXT, "ISO 8601 week, such as 2026-W53"),
    machine=(TEXT, "name in the site file"),
    shift_date=(DATE, "local date on which the shift starts"),
    shift=(TEXT, "name in the site file"),
    parts=(COUNT, "produced quantity PQ"),
    good_parts=(COUNT, "good quantity GQ; null: not measured"),
    planned_parts=(NUMBER, "planned parts; null without a plan"),
    pbt_s=(NUMBER, "planned busy time [s]"),
    apt_s=(NUMBER, "production time [s]"),
    reload_overrun_s=(NUMBER, "reload overrun [s]"),
    setting_s=(NUMBER, "setting [s]"),
    stopped_s=(NUMBER, "stops, minor ones too [s]"),
    no_signal_s=(NUMBER, "no signal [s]"),
    causes=(TEXT, "causes of its stops, the longest first, comma separated; empty if none"),
    shown_at=(INSTANT, "when it was shown"),
)

CARRIED: Final = _table(
    "carried",
    "What still held of a log at the start of a UTC day: enough to derive facts from that day on.",
    as_of=(INSTANT, "the instant; null: after all that was read"),
    **{name: (column.dtype, column.meaning) for name, column in EVENTS.columns.items()},
)

CYCLES: Final = _table(
    "cycles",
    "Measured cycles, of which the standard cycle of a machine and program is the median.",
    machine=(TEXT, "name in the site file"),
    program=(TEXT, "program selected; null if never told"),
    at=(INSTANT, "the part that ended it"),
    active_s=(NUMBER, "ACTIVE time since the part before, reload time out [s]"),
)

MARKS: Final = _table(
    "marks",
    "Instants that decide how all of a log is read: first event, horizon, and when it told this or that first.",
    machine=(TEXT, "name in the site file"),
    mark=(TEXT, "see runlog.derive.earlier"),
    at=(INSTANT, "first event, horizon, or when it was told first"),
)

NOTES: Final = _table(
    "notes",
    "A person's word about a machine and a time, such as a fix; never changed, only taken back by a later one.",
    note=(TEXT, "its name, by which it can be taken back"),
    kind=(TEXT, "fix, cause (of a stop), remark, action, done (closes an action), or withdrawal"),
    machine=(TEXT, "name in the site file; null: a remark or an action about the whole shop"),
    at=(INSTANT, "from when what it speaks of happened; of a cause, an instant within the stop"),
    until=(INSTANT, "to when: the end of the day where no clock time was told; of an action, when it is due"),
    cause=(
        TEXT,
        "of a stop, its name; of a fix, the stops it is about, null: reloads retried or failed",
    ),
    text=(TEXT, "what was done, is to be remarked or to be done; null for a cause"),
    who=(TEXT, "who said so"),
    why=(TEXT, "why; null if not told"),
    noted_at=(INSTANT, "when it was written down"),
    withdraws=(TEXT, "the note that this one takes back or closes; null if none"),
    owner=(TEXT, "who does what is to be done; null but for actions"),
)

INTAKE_TABLES: Final = (EVENTS, REJECTS, PROGRESS)
FACT_TABLES: Final = (
    SPANS,
    PARTS,
    RELOADS,
    BARS,
    STOPS,
    ALARMS,
    UNATTENDED_RUNS,
    CHANGEOVERS,
    SHIFT_FIGURES,
    SHIFT_LOSSES,
    SHIFT_LOADS,
    SHIFT_PLANS,
)
STANDARDS: Final = _table(
    "standards",
    "Job standards as the site file gave them, by the time from which they hold: old shifts keep theirs.",
    job=(TEXT, "name in the site file"),
    valid_from=(INSTANT, "start of the first shift they hold for; null: since ever"),
    standard=(TEXT, "all of the job but its name and programs, as JSON"),
    seen_at=(INSTANT, "when it was first read"),
)

ANCHOR_TABLES: Final = (CARRIED, CYCLES, MARKS)
"""What deriving leaves for itself, so that the next time it need not begin at the beginning."""
DERIVED_TABLES: Final[dict[str, Table]] = {table.name: table for table in FACT_TABLES + ANCHOR_TABLES}
STARTS: Final[dict[str, str]] = {
    "spans": "start",
    "parts": "at",
    "reloads": "start",
    "bars": "loaded_at",
    "stops": "start",
    "alarms": "start",
    "unattended_runs": "window_start",
    "changeovers": "start",
    "shift_figures": "shift_start",
    "shift_plans": "shift_start",
    "cycles": "at",
    "carried": "as_of",
}
"""By table, the instant that tells on which side of a cut in time a row lies; the others tell it by their shift."""
INPUT_TABLES: Final = (PLANS, SCRAP, REPORTED, NOTES, STANDARDS)
"""What neither a log nor a derivation makes: what people wrote down, and what was shown to them."""
TABLES: Final[dict[str, Table]] = {table.name: table for table in INTAKE_TABLES + FACT_TABLES + INPUT_TABLES}
