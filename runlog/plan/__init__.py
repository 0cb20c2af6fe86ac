"""Planned figures: what a job takes and gives, how far stock and time reach, what the order system asked for.

lengths    pitch, parts from a bar, remnant, mass
limits     standard time, endurance, planned parts, which limit binds
job        one job on one machine
run        how far it gets from a start; clock: a start as a person writes it
order      stock for so many parts
sawing     a bought bar in equal pieces
batches    from how many parts on unattended running pays
given      quantities of the order system, before what is computed
"""

from runlog.plan.job import JobPlan, plan_job
from runlog.plan.lengths import allowance_share, mass_kg_per_m
from runlog.plan.limits import endurance_s, in_stock, standard_time_s, with_planned_parts

__all__ = [
    "JobPlan",
    "allowance_share",
    "endurance_s",
    "in_stock",
    "mass_kg_per_m",
    "plan_job",
    "standard_time_s",
    "with_planned_parts",
]
