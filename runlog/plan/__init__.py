"""Planned figures: what a job takes and gives, how far stock and time reach, what the order system asked for.

lengths    pitch, parts from a bar, remnant, mass
limits     standard time, endurance, planned parts, which limit binds
job        one job on one machine
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
