"""Whether a folder lies on another computer: what happens there is not told to this one."""

import sys
from pathlib import Path
from typing import Final

REMOTE: Final = frozenset(
    """
    9p acfs afs beegfs ceph cifs coda drvfs gfs2 glusterfs gpfs lustre ncpfs nfs nfs4 ocfs2 orangefs prl_fs pvfs2
    shfs smb2 smb3 smbfs vboxsf virtiofs vmhgfs
    """.split()  # noqa: SIM905
)
"""File systems whose changes may be made elsewhere."""
_MOUNTS: Final = Path("/proc/self/mounts")
_DRIVE_REMOTE: Final = 4


def is_remote(folder: Path) -> bool:
    """Whether changes in a folder may be made without this computer's knowledge."""
    resolved = folder.resolve()
    if sys.platform == "win32":
        return _is_remote_drive(resolved.drive)
    if sys.platform == "darwin":
        return resolved.parts[:2] == ("/", "Volumes")
    try:
        table = _MOUNTS.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return False
    return lies_on_remote(resolved, table)


def lies_on_remote(folder: Path, mounts: str) -> bool:
    """The same, by a table of mounts as Linux shows it: device, place, type, options.

    Examples
    --------
    >>> lies_on_remote(Path("/mnt/logs/T01"), "/dev/sda1 / ext4 rw\\n//srv/logs /mnt/logs cifs rw")
    True
    """
    kind, longest = "", -1
    for line in mounts.splitlines():
        fields = line.split()
        if len(fields) < 3:
            continue
        place = Path(_spelt_out(fields[1]))
        # Of two on one place the later one counts.
        if (place == folder or place in folder.parents) and len(place.parts) >= longest:
            kind, longest = fields[2], len(place.parts)
    return kind in REMOTE or kind.startswith("fuse.")


def _spelt_out(word: str) -> str:
    for code, letter in (("\\040", " "), ("\\011", "\t"), ("\\012", "\n"), ("\\134", "\\")):
        word = word.replace(code, letter)
    return word


def _is_remote_drive(drive: str) -> bool:
    if drive.startswith("\\\\") and not drive.startswith("\\\\?\\"):
        return True
    if sys.platform != "win32":
        return False
    import ctypes

    return ctypes.windll.kernel32.GetDriveTypeW(f"{drive}\\") == _DRIVE_REMOTE  # type: ignore[attr-defined]
