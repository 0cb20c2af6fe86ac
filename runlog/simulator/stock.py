"""The truth of bars: what was loaded, what was made of it, what was left."""

import numpy as np

from runlog.simulator.diary import Bar
from runlog.simulator.lathe import parts_per_bar
from runlog.simulator.shop import JOBS
from runlog.simulator.truth import Row, Truth


def bar_rows(truth: Truth) -> list[Row]:
    """Rows of `bars`."""
    return [_bar_row(truth, bar) for bar in truth.diary.bars]


def _bar_row(truth: Truth, bar: Bar) -> Row:
    at = truth.counted
    first = int(np.searchsorted(at, bar.loaded_at, "right"))
    last = len(at) if bar.finished_at is None else int(np.searchsorted(at, bar.finished_at, "right"))
    parts = truth.parts[first:last]
    job = JOBS[parts[0].job if parts else bar.job]
    planned = parts_per_bar(job, truth.kind, job.bar_mm)
    planned_remnant = job.bar_mm - job.top_cut_mm - planned * job.pitch_mm
    loaded = bar.loaded_mm if bar.loaded_mm is not None else job.bar_mm
    used = job.top_cut_mm + sum(JOBS[part.job].pitch_mm for part in parts)
    remnant, basis, unaccounted, flag = None, None, None, None
    if bar.end_unknown:
        flag = "end unknown"
    elif bar.finished_at is not None:
        measured = bar.remnant_mm is not None
        remnant, basis = (bar.remnant_mm, "measured") if measured else (loaded - used, "inferred")
        if measured and bar.remnant_mm is not None:
            unaccounted = loaded - used - bar.remnant_mm
            flag = "unaccounted stock" if abs(unaccounted) >= job.pitch_mm / 2 else None
        elif len(parts) < planned:
            flag = "fewer parts than planned"
    began = max(reload.start for reload in truth.diary.reloads if reload.start <= bar.loaded_at)
    parts_mm = sum(JOBS[part.job].part_mm for part in parts)
    good_mm = sum(JOBS[part.job].part_mm for part in parts if part.good)
    kg = None if remnant is None else remnant * job.kg_per_mm
    return {
        "machine": truth.diary.machine,
        "loaded_at": bar.loaded_at,
        "finished_at": bar.finished_at,
        "job": job.name,
        "parts": len(parts),
        "good_parts": sum(bool(part.good) for part in parts) if truth.kind.quality else None,
        "loaded_mm": loaded,
        "loaded_basis": "planned" if bar.loaded_mm is None else "measured",
        "used_mm": used,
        "parts_mm": parts_mm,
        "good_mm": good_mm if truth.kind.quality and parts else None,
        "parting_mm": sum(JOBS[part.job].parting_mm + JOBS[part.job].facing_mm for part in parts),
        "top_cut_mm": job.top_cut_mm,
        "remnant_mm": remnant,
        "remnant_basis": basis,
        "unaccounted_mm": unaccounted,
        "planned_parts": planned,
        "planned_remnant_mm": planned_remnant,
        "remnant_kg": kg,
        "planned_remnant_kg": planned_remnant * job.kg_per_mm,
        "remnant_cost": None if kg is None else kg * job.price,
        "flag": flag,
        "material": job.material,
        "diameter_mm": job.diameter_mm,
        "lot": truth.noted("BAR_LOT", began),
        "kg_per_mm": job.kg_per_mm,
        "price_per_kg": job.price,
    }
