"""What is odd about a zip that is to be believed: it could mean two things, or never end.

Programs differ in which of two entries of a name they take, and in where they put one whose name leads out of
the folder; an entry of zeros inflates a thousand times. Nothing is ever unpacked here: an archive with an
oddity is refused as a whole, before anything of it is read. Pure. Imports nothing of the project.
"""

from __future__ import annotations

import stat
import zipfile

ENTRIES_MAX = 20_000
BYTES_MAX = (
    8 << 30
)  # all entries together, as they say of themselves; zipfile reads no entry further than that
SHORT_BYTES_MAX = 64 << 20  # of one that is read whole

_ENCRYPTED = 0x1  # of the general purpose bit flag; APPNOTE 4.4.4


def oddity(archive: zipfile.ZipFile, *, folder: str, whole: tuple[str, ...]) -> str | None:
    """The first odd thing about an archive all of which should lie below `folder`; None where there is none.

    Entries whose name ends with one of `whole` are those that are read whole.
    """
    entries = archive.infolist()
    if len(entries) > ENTRIES_MAX:
        return f"it has {len(entries)} entries, more than {ENTRIES_MAX}"
    names: set[str] = set()
    for entry in entries:
        name = entry.filename
        if name in names:
            return f"it has {_shown(name)} twice"
        names.add(name)
        if not name.startswith(folder) or ".." in name.split("/") or "\\" in name or not name.isprintable():
            return f"it has {_shown(name)} outside of its folder"
        if stat.S_IFMT(entry.external_attr >> 16) not in (0, stat.S_IFREG, stat.S_IFDIR):
            return f"{_shown(name)} in it is a link or no file"
        if entry.flag_bits & _ENCRYPTED:
            return f"{_shown(name)} in it is encrypted"
        if name.endswith(whole) and entry.file_size > SHORT_BYTES_MAX:
            return f"{_shown(name)} in it has {entry.file_size} bytes, more than {SHORT_BYTES_MAX}"
    if sum(entry.file_size for entry in entries) > BYTES_MAX:
        return f"its files have more than {BYTES_MAX} bytes together"
    return None


def _shown(name: str) -> str:
    return repr(name[:80])
