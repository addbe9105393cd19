"""Files made beside a database or an endpoint's keys: whole or not at all, and its account's own.

An operator who is root revokes a key or notes a ticket in the folder of a service that has an account of its
own. A file of root's there would be one that the service cannot read; so what root makes in a folder belongs
to whom the folder belongs to. Imports nothing of the project.
"""

from __future__ import annotations

import os
import secrets
from pathlib import Path


def create(path: Path, mode: int) -> int:
    """A descriptor of the file `path`, which is made. Raises OSError, FileExistsError above all."""
    made = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
    try:
        folder = path.parent.stat()
        if os.geteuid() == 0 and folder.st_uid != 0:
            os.fchown(made, folder.st_uid, folder.st_gid)
    except BaseException:
        os.close(made)
        raise
    return made


def write_private(path: Path, text: str) -> None:
    """Replace `path` as a whole, for its owner's eyes alone. When that fails, the old file stays."""
    beside = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        with open(create(beside, 0o600), "w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except BaseException:
        beside.unlink(missing_ok=True)
        raise
