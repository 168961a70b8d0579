"""The one family of errors a user can meet.

    ImprovError            anything improv refuses to do; exit status 1
    ├── TakeError          a take that cannot be read or judged
    ├── OutputError        a result that cannot be written where it was asked for
    ├── LogError           a practice log that cannot be opened, read or trusted
    └── UsageError         an option or value that makes no sense; exit status 2

A message names the thing (file, track, option), what is wrong with it and what
would put it right. `exit_status` is read in one place, the command line's group.
"""


class ImprovError(Exception):
    """Something improv cannot do for a reason the user can mend."""

    exit_status = 1


class TakeError(ImprovError):
    """A take that cannot be read, or holds nothing that can be judged."""


class OutputError(ImprovError):
    """A result that cannot be written to the place asked for."""


class LogError(ImprovError):
    """A practice log that cannot be opened, read or trusted."""


class UsageError(ImprovError):
    """An option, a name or a value that makes no sense for this call."""

    exit_status = 2
