"""Pieces of a page as markup. Every value passes through `theme.markup`, which escapes it."""

from collections.abc import Callable, Iterable, Sequence
from datetime import date
from typing import Any
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

import first
import polars as pl
from address import View, of_stop, stop_name
from theme import DASH, Markup, joined, markup, write

from runlog.figures.cautions import CAUTIONS
from runlog.figures.headline import Headline


def heading(words: Headline) -> None:
    """Which night, from when to when, how old the log is."""
    write(
        markup(
            '<div class="rl-night">{night}</div><div class="rl-when">{window}<br>{log}</div>',
            night=words.night,
            window=words.window,
            log=words.log,
        )
    )


def lead(words: Headline) -> None:
    """Where to go first."""
    large(words.lead, words.why, words.rest)


def title(name: str, *lines: str) -> None:
    """What the page is about, and what it is made of."""
    told = joined([markup("<div>{line}</div>", line=line) for line in lines])
    write(markup('<div class="rl-night">{name}</div><div class="rl-when">{told}</div>', name=name, told=told))


def large(words: str, why: str, rest: str) -> None:
    """What the page has to say first."""
    beside = markup("<span>{why}</span>", why=why) if why else Markup()
    write(markup('<div class="rl-lead"><b>{words}</b>{why}<div>{rest}</div></div>', words=words, why=beside, rest=rest))
    first.let_it_be_seen()


def sentences(head: str, lines: list[str]) -> None:
    """A heading and what is to be said under it, a line each."""
    told = joined([markup("<li>{line}</li>", line=line) for line in lines])
    write(markup('<div class="rl-told"><b>{head}</b><ul>{told}</ul></div>', head=head, told=told))


def told(lines: list[Markup]) -> None:
    """Sentences that are markup already, one below the other."""
    items = joined([markup("<li>{line}</li>", line=line) for line in lines])
    write(markup('<ul class="rl-lines">{items}</ul>', items=items))


def grid(rows: pl.DataFrame, columns: Sequence[tuple[str, Callable[[dict[str, Any]], str]]]) -> None:
    """A small table that prints and is read aloud; columns of which nothing was measured are left out.

    Parameters
    ----------
    rows : DataFrame
    columns : sequence of (str, callable)
        Name of each and how a row shows there, as in `report.rollups`.
    """
    told = list(rows.iter_rows(named=True))
    cells = {" ".join(name.split()): [shows(row) for row in told] for name, shows in columns}
    kept = {name: column for name, column in cells.items() if set(column) - {"-", "-/-"}}
    head = joined([markup('<th scope="col">{name}</th>', name=name) for name in kept])
    lines = [
        markup(
            "<tr>{first}{others}</tr>",
            first=markup('<th scope="row">{cell}</th>', cell=row[0]),
            others=joined([markup("<td>{cell}</td>", cell=cell) for cell in row[1:]]),
        )
        for row in zip(*kept.values(), strict=True)
    ]
    write(markup('<table class="rl-grid"><tr>{head}</tr>{lines}</table>', head=head, lines=joined(lines)))


def listed(lines: Iterable[tuple[str, str]]) -> None:
    """What is known, a line each: what it is, and what is said of it."""
    told = joined([markup("<dt>{name}</dt><dd>{said}</dd>", name=name, said=said) for name, said in lines])
    write(markup('<dl class="rl-facts">{told}</dl>', told=told))


def sentence(title: str, *lines: str) -> None:
    """Something to say instead of a page."""
    told = joined([markup("<p>{line}</p>", line=line) for line in lines])
    write(markup('<div class="rl-lead"><b>{title}</b>{told}</div>', title=title, told=told))


def section(title: str) -> None:
    """A heading inside the page."""
    write(markup('<h2 class="rl-section">{title}</h2>', title=title))


def new(sentences: list[str], since: str) -> None:
    """What came in while the page was open."""
    told = joined([markup("<div>{one}</div>", one=one) for one in sentences])
    write(markup('<div class="rl-new"><b>New since {since}</b>{told}</div>', since=since, told=told))


def note(text: str) -> None:
    """A remark in small type."""
    write(markup('<div class="rl-note">{text}</div>', text=text))


def small(text: str) -> None:
    """What has to stand where it is read, in small type."""
    write(markup('<div class="rl-small">{text}</div>', text=text))


def cautions() -> None:
    """What no figure of the page may be taken for."""
    told = joined([markup("<p>{caution}</p>", caution=caution) for caution in CAUTIONS])
    write(markup('<div class="rl-cautions">{told}</div>', told=told))


# --- the list of machines ------------------------------------------------------------------------


def machine_list(machines: pl.DataFrame, night: date, view: View, first: str | None) -> None:
    """Worst first: how each run ended, made of planned, hours lost.

    Parameters
    ----------
    machines : DataFrame
        Rows of `NightReview.machines` to show.
    night : date
        For the addresses of its machines and stops.
    view : tuple
        What a link to a stop keeps of the page, as `address.of_view` tells.
    first : str or None
        The machine to walk to first, if there is one.
    """
    head = Markup(
        '<div class="rl-head"><span>machine</span><span>what happened</span>'
        '<span class="rl-number">made of<br>planned parts</span><span class="rl-number">lost<br>std. hours</span></div>'
    )
    rows = [_row(facts, night, view, facts["machine"] == first) for facts in machines.iter_rows(named=True)]
    write(markup('<div class="rl-list">{head}{rows}</div>', head=head, rows=joined(rows)))


def _row(facts: dict[str, Any], night: date, view: View, first: bool) -> Markup:
    return markup(
        '<div class="rl-row{first}"><div class="rl-name"><a href="?{address}" target="_self">{machine}</a>'
        "<small>no. {rank}</small></div>"
        '<div class="rl-what">{standing}{ending}<small>{changes}</small></div>'
        '<div class="rl-number">{made}<small>{of}</small><small>{limit}</small></div>'
        '<div class="rl-number">{lost}</div></div>',
        first=" rl-first" if first else "",
        address=urlencode({"night": night.isoformat(), "machine": facts["machine"]}),
        machine=facts["machine"],
        rank=facts["rank"],
        standing=Markup('<span class="rl-now">standing now</span>') if facts["standing_now"] else "",
        ending=_ending(facts, night, view),
        changes="" if facts["bar_changes"] == "none" else f"bar changes: {facts['bar_changes']}",
        made=facts["parts"],
        of="no plan" if facts["planned_parts"] is None else f"of {int(facts['planned_parts'])}",
        limit=f"{facts['limit']} binds".replace("bars binds", "bars bind") if facts["limit"] else "",
        lost=_number(facts["hours_lost"], 1),
    )


def _ending(facts: dict[str, Any], night: date, view: View) -> Markup:
    """How the run ended; a link to the stop that ended it."""
    if facts["cause"] is None or facts["stopped_at"] is None:
        return markup("{ending}", ending=facts["ending"])
    stop = of_stop(night, view, stop_name(facts["machine"], facts["stopped_at"]))
    return markup('<a href="{stop}" target="_self">{ending}</a>', stop=stop, ending=facts["ending"])


# --- one machine ---------------------------------------------------------------------------------


def machine_facts(facts: dict[str, Any], stops: pl.DataFrame, zone: str) -> None:
    """What is known of one machine's night, line by line."""
    lines = {
        "job": facts["jobs"] or DASH,
        "made": _made(facts),
        "run ended": _ended(facts, zone),
        "first alarm": " ".join(one for one in (facts["code"], facts["text"]) if one) or "none in the log",
        "alarms after it": _after(facts, stops),
        "bar changes": facts["bar_changes"],
        "bar change time": _against(facts["reload_mean_s"], facts["reload_planned_s"], "s", "mean", 0),
        "remnants": _remnants(facts),
        "bars at the start": _bars(facts, zone),
        "ran": f"{_number(facts['run_h'], 2)} h of {_number(facts['planned_h'], 2)} h planned",
        "spindles turning": _spindles(facts),
        "not measured": facts["not_measured"] or "nothing is missing",
    }
    listed(lines.items())


def stop_facts(stop: dict[str, Any], zone: str) -> None:
    """What is known of one stop, line by line."""
    begin, end = (stop[name].astimezone(ZoneInfo(zone)) for name in ("start", "end"))
    until = "standing at the end of the log" if stop["open"] else f"to {end:%a %H:%M:%S}"
    named_by = {} if stop["named_by"] is None else {"named by": stop["named_by"], "cause by the log": stop["log_cause"]}
    lines = {
        "from": f"{begin:%a} {begin.day} {begin:%b %H:%M:%S}, {until}",
        "length": _length(stop["duration_s"]),
        "cause": f"{stop['cause']} ({stop['cause_group']})",
        **named_by,
        "known to the log by": {"alarm": "an alarm", "state": "the state it was in", "none": "nothing in the log"}[
            stop["basis"]
        ],
        "first alarm": " ".join(one for one in (stop["code"], stop["text"]) if one) or "none in the log",
        "alarms after it": _counted(stop["consequences"], stop["consequence_codes"]),
        "ended the run": "yes" if stop["night_ending"] else "no",
        "job": stop["job"],
    }
    listed(lines.items())


def _length(seconds: float) -> str:
    return f"{seconds / 60:.1f} min" if seconds < 5400 else f"{seconds / 3600:.2f} h"


def _made(facts: dict[str, Any]) -> str:
    good = "" if facts["good_parts"] is None else f", {facts['good_parts']} good"
    if facts["planned_parts"] is None:
        return f"{facts['parts']} parts{good}; no plan for its job"
    lost = f"{_number(facts['hours_lost'], 2)} standard hours lost"
    made = f"{facts['parts']} of {int(facts['planned_parts'])} planned parts{good}"
    return f"{made}; {lost}; {facts['limit']} bound the plan"


def _ended(facts: dict[str, Any], zone: str) -> str:
    standing = "; standing at the end of the log" if facts["standing_now"] else ""
    if facts["stopped_at"] is None:
        return f"{facts['ending']}{standing}"
    at = facts["stopped_at"].astimezone(ZoneInfo(zone))
    return f"{at:%a %H:%M:%S}, {facts['cause'] or facts['ended_by']}{standing}"


def _after(facts: dict[str, Any], stops: pl.DataFrame) -> str:
    here = (pl.col("machine") == facts["machine"]) & pl.col("start").eq_missing(pl.lit(facts["stopped_at"]))
    ending = stops.filter(here)
    return _counted(facts["consequences"], ending["consequence_codes"][0] if len(ending) else None)


def _counted(count: int | None, codes: str | None) -> str:
    if not count:
        return "none"
    return f"{count}" + (f": {codes}" if codes else "")


def _against(value: float | None, planned: float | None, unit: str, word: str, digits: int) -> str:
    if value is None:
        return DASH
    plan = "" if planned is None else f", planned {_number(planned, digits)} {unit}"
    return f"{word} {_number(value, digits)} {unit}{plan}"


def _remnants(facts: dict[str, Any]) -> str:
    if not facts["bars"]:
        return DASH
    length = _against(facts["remnant_mm"], facts["planned_remnant_mm"], "mm", "together", 0)
    mass = (
        ""
        if facts["remnant_kg"] is None
        else "; " + _against(facts["remnant_kg"], facts["planned_remnant_kg"], "kg", "mass", 2)
    )
    return f"{facts['bars']} bars finished, {length}{mass}; {facts['remnant_basis']}"


def _bars(facts: dict[str, Any], zone: str) -> str:
    if facts["bars_held"] is None:
        return DASH
    known = {"noted": "as noted at filling", "magazine": "magazine taken as full"}.get(facts["bars_basis"], "")
    out = facts["run_out_at"]
    until = "" if out is None else f"; planned to run out at {out.astimezone(ZoneInfo(zone)):%a %H:%M}"
    return f"{facts['bars_held']}, {known}{until}"


def _spindles(facts: dict[str, Any]) -> str:
    shares = {"main": facts["main_utilisation"], "sub": facts["sub_utilisation"]}
    said = [f"{name} {100 * share:.0f} % of planned time" for name, share in shares.items() if share is not None]
    return ", ".join(said) or "not measured"


def _number(value: float | None, digits: int) -> str:
    if value is None:
        return DASH
    # + 0.0 turns a rounded minus zero into zero.
    return f"{round(value, digits) + 0.0:.{digits}f}"
