"""What can go wrong, as one tree; every message says what, where and what to do next.

WardbookError                     anything we raise on purpose
├── UsageError                    the command or its arguments are wrong (exit 2)
│   ├── MissingFile               a path that is not there
│   └── UnknownKind               a file whose kind cannot be told
├── SourceError                   a file that cannot be read at all: refused whole, with a receipt
│   └── ProfileError              a source profile that is not usable
├── BookError                     the book is not in a state that allows this
│   ├── BookBusy                  another process holds the book
│   ├── BookEmpty                 nothing has been taken that would answer this
│   ├── NotYet                    what was asked for is being worked out, and will come by itself
│   └── BookBroken                the tamper evidence does not add up
├── SettingsError                 settings.toml or county.toml holds a value that cannot be used
└── EstimateError                 a quantity that does not exist for these inputs
"""


class WardbookError(Exception):
    """Anything raised on purpose; its text is one sentence for the person who reads it."""

    exit_status = 1


class UsageError(WardbookError):
    """The command or its arguments are wrong."""

    exit_status = 2


class MissingFile(UsageError):
    """A path that is not there."""


class UnknownKind(UsageError):
    """A file whose kind cannot be told from its name or a profile."""


class SourceError(WardbookError):
    """A file that cannot be read at all."""


class ProfileError(SourceError):
    """A source profile that is not usable."""

    exit_status = 2


class BookError(WardbookError):
    """The book is not in a state that allows this."""


class BookBusy(BookError):
    """Another process holds the book."""


class BookEmpty(BookError):
    """Nothing has been taken that would answer the question."""


class NotYet(BookError):
    """What was asked for is being worked out, and will come by itself."""


class BookBroken(BookError):
    """The tamper evidence does not add up."""


class SettingsError(WardbookError):
    """A setting that cannot be used."""

    exit_status = 2


class EstimateError(WardbookError):
    """A quantity that does not exist for these inputs."""
