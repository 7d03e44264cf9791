"""Everything that `relief` refuses, in one tree.

ReliefError
├── LengthError    a length that cannot be read
├── TableError     a TOML file or table that breaks the rules
│   ├── JobError   a job that cannot be carved as asked
│   └── ShopError  a cutter, material or machine that is wrong or missing
├── PictureError   a picture, height file or mesh that cannot be used
├── PlanError      a cut that cannot be planned
├── ProgramError   program text that breaks the standard or cannot be followed
└── FolderError    a job folder that cannot be written

Each message is one line: what came, where, and how to mend it.
"""


class ReliefError(Exception):
    """Root of all errors whose message is meant for the user."""


class LengthError(ReliefError):
    """Raised when a length cannot be read."""


class TableError(ReliefError):
    """Raised when a TOML file or table breaks the rules."""


class JobError(TableError):
    """Raised when a job cannot be carved as asked."""


class ShopError(TableError):
    """Raised when a cutter, a material or a machine is wrong or missing."""


class PictureError(ReliefError):
    """Raised when a picture or height file cannot be used."""


class PlanError(ReliefError):
    """Raised when a cut cannot be planned."""


class ProgramError(ReliefError):
    """Raised when program text breaks the standard or cannot be followed."""


class FolderError(ReliefError):
    """Raised when a job folder cannot be written."""


# Characters of what was given that a message repeats.
BRIEF = 60


def brief(text: str) -> str:
    """Return the beginning of a text, short enough for the line that refuses it."""
    return text if len(text) <= BRIEF else text[: BRIEF - 3] + "..."
