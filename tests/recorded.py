"""Where logs recorded at a public test bed are, and the site file that fits them.

Data: adapter-protocol day files of the Smart Manufacturing Systems Test Bed, published by the National Institute of
Standards and Technology (NIST) as public information. They are not part of the project: RUNLOG_REAL_LOGS names the
folder, and what needs it is skipped without.
"""

import os
from pathlib import Path

import pytest

from runlog.site import parse_site

FOLDER = Path(os.environ.get("RUNLOG_REAL_LOGS", "nowhere"))
needs_recordings = pytest.mark.skipif(not FOLDER.is_dir(), reason="RUNLOG_REAL_LOGS names no folder")

SITE = parse_site("""
[site]
name = "Test bed"
time_zone = "UTC"

[[machine]]
name = "tcb"
spindles = ["main", "sub"]

[[source]]
name = "lines"
files = ["tcb-*.txt"]
machine = "tcb"
devices = "devices.xml"
""")
