"""Job standards: what a part was planned to take and to be made of, which may change while its name stays.

standard_of(job)                    all of a job but its name and its programs, as JSON
with_standards(site, {"pin": ...})  the site as it was when other standards held
"""

import json
from collections.abc import Mapping

from pydantic import ValidationError

from runlog.site.sections import Job, Site

_IDENTITY = {"name", "programs", "valid_from"}


def standard_of(job: Job) -> str:
    """The standard of a job: equal texts are equal standards."""
    return job.model_dump_json(exclude=_IDENTITY, exclude_none=True)


def with_standards(site: Site, standards: Mapping[str, str]) -> Site:
    """The site with other standards for some of its jobs; what can no longer be read is left as it is."""
    return site.model_copy(update={"job_": [_with(job, standards.get(job.name)) for job in site.jobs]})


def _with(job: Job, standard: str | None) -> Job:
    if standard is None:
        return job
    try:
        given = json.loads(standard)
        return Job.model_validate({**given, "name": job.name, "programs": job.programs, "valid_from": job.valid_from})
    except (ValueError, ValidationError):
        return job
