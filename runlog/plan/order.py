"""The stock an order takes: bars to have ready, and what becomes of every millimetre of them."""

from dataclasses import dataclass

from runlog.plan.job import pitch_um, plan_job
from runlog.plan.lengths import allowance_share, left_of, um
from runlog.site import Job, Site


@dataclass(frozen=True)
class OrderStock:
    """Stock for some parts of a job, on one machine.

    ready = in parts + top cuts + remnants + returned: the last bar is taken out when the order is complete, and what
    is left of it goes back to the rack.

    Attributes
    ----------
    machine : str
        Machine, as its feeder may ask for a longer remnant than the job.
    parts : int
        Parts wanted.
    bars : int
        Bars to have ready.
    bars_used : float
        Bars used up, the last one in part: parts over parts per bar.
    last_bar_parts : int
        Parts from the last bar.
    ready_m, in_parts_m, top_cuts_m, remnants_m, returned_m : float
        Their length together, and what becomes of it. [m]
    ready_kg, used_kg : float
        Mass of the bars to have ready, and less what is returned. [kg]
    ready_cost, used_cost : float or None
        Price of the same in the site's currency; None without a price.
    bar_end_share : float
        Share of a whole bar that is top cut and remnant.
    allowance_share : float
        What the trade's rule of thumb allows for bar ends and scrap of bars fed whole.
    """

    machine: str
    parts: int
    bars: int
    bars_used: float
    last_bar_parts: int
    ready_m: float
    in_parts_m: float
    top_cuts_m: float
    remnants_m: float
    returned_m: float
    ready_kg: float
    used_kg: float
    ready_cost: float | None
    used_cost: float | None
    bar_end_share: float
    allowance_share: float


def order_stock(site: Site, machine: str, job: Job, parts: int) -> OrderStock | None:
    """Stock for so many parts; None where a bar gives none.

    Parameters
    ----------
    site : Site
    machine : str
    job : Job
    parts : int
        Parts wanted, 0 or more.

    Raises
    ------
    ValueError
        Fewer than 0 parts.
    """
    if parts < 0:
        raise ValueError(f"parts must not be negative, got {parts}")
    plan = plan_job(site, machine, job)
    n = plan.parts_per_bar
    if not n:
        return None
    pitch, bar, top_cut = pitch_um(job), um(job.bar_mm), um(job.top_cut_mm)
    bars = -(-parts // n)
    last = parts - (bars - 1) * n if bars else 0
    is_returned = 0 < last < n
    returned = left_of(bar, top_cut, last, pitch) if is_returned else 0
    remnants = (bars - is_returned) * left_of(bar, top_cut, n, pitch)
    ready = bars * bar
    kg_per_um = plan.mass_kg_per_mm / 1000
    price = plan.price_per_kg
    return OrderStock(
        machine=machine,
        parts=parts,
        bars=bars,
        bars_used=parts / n,
        last_bar_parts=last,
        ready_m=ready / 1e6,
        in_parts_m=parts * pitch / 1e6,
        top_cuts_m=bars * top_cut / 1e6,
        remnants_m=remnants / 1e6,
        returned_m=returned / 1e6,
        ready_kg=ready * kg_per_um,
        used_kg=(ready - returned) * kg_per_um,
        ready_cost=None if price is None else ready * kg_per_um * price,
        used_cost=None if price is None else (ready - returned) * kg_per_um * price,
        bar_end_share=1 - n * pitch / bar,
        allowance_share=allowance_share(job.part_mm + job.parting_mm),
    )
