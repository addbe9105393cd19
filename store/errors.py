"""Every error this project raises on purpose, sorted by who can mend it.

::

    LinebookError
    +-- UserMistake            the person at the keyboard can mend it; exit code 2
    |   +-- SiteMistake        a key of the site file (carries key and line)
    |   +-- InvitationMistake  an invitation that cannot be read
    |   +-- DatabaseMistake    a database that is newer, foreign or unreadable
    |       +-- DatabaseBusy   held by another process, or the disk takes nothing; may pass by itself
    +-- FarEndMistake          the far end sent what its protocol forbids
    |   +-- BadPacket          bytes that are not the packet they should be
    |   +-- BadMessage         a control message that is not what it should be
    +-- StoreTrouble           the disk is full or read-only; may pass by itself
    +-- NotRunning             no probe answers at its local door

A measurement that fails is not an error but a result: `store.records.Failed`.
Stands at the bottom of store and imports nothing.
"""

from __future__ import annotations


class LinebookError(Exception):
    """Common base; never raised itself."""

    def __init__(self, *values: object) -> None:
        if type(self) is LinebookError:
            raise TypeError("raise one of its kinds, not LinebookError itself")
        super().__init__(*values)


class UserMistake(LinebookError):
    """Input that a person can put right; its text is one clear sentence."""

    def __init__(self, sentence: str) -> None:
        super().__init__(sentence)
        self.sentence = sentence

    def __str__(self) -> str:
        return self.sentence


class SiteMistake(UserMistake):
    """A key of the site file says something it may not.

    `key` is the full path of the key (``handoff[1].card.rate_up``), `line` its line in the
    file counted from 1, or None where the file has no such line.
    """

    def __init__(self, key: str, why: str, *, line: int | None = None, file: str | None = None) -> None:
        where = f"{file or 'site file'}{f', line {line}' if line else ''}"
        super().__init__(f"{where}: {key}: {why}" if key else f"{where}: {why}")
        self.key, self.why, self.line, self.file = key, why, line, file


class InvitationMistake(UserMistake):
    """A line that should be an invitation and is not."""


class DatabaseMistake(UserMistake):
    """A database that this version or this process may not use."""


class DatabaseBusy(DatabaseMistake):
    """A database that cannot be opened for writing now, and perhaps in a minute: it may be tried again."""


class FarEndMistake(LinebookError):
    """The far end broke its protocol; whoever talks to it turns this into a `Failed`."""

    def __init__(self, protocol: str, why: str) -> None:
        super().__init__(protocol, why)
        self.protocol, self.why = protocol, why

    def __str__(self) -> str:
        return f"bad {self.protocol}: {self.why}"


class BadPacket(FarEndMistake):
    """Bytes that are not the packet they should be."""


class BadMessage(FarEndMistake):
    """A control message that is not what it should be."""


class StoreTrouble(LinebookError):
    """The database cannot be written just now (disk full, read-only); what was given is not lost."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why

    def __str__(self) -> str:
        return self.why


class NotRunning(LinebookError):
    """No probe answers for this database, so nothing of it can be shown or changed."""

    def __init__(self, why: str) -> None:
        super().__init__(why)
        self.why = why

    def __str__(self) -> str:
        return self.why
