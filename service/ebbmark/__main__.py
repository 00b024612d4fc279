"""`python -m ebbmark` is the command line."""

from __future__ import annotations

import errno
import gc
import sys
from collections.abc import Sequence

UNREAD = 141
"""As a shell tells a process that SIGPIPE ended; common practice, no published source."""


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code; an output that takes no more ends it with one sentence."""
    # What imports make stays: a collector that looks at all of it again and again takes a fifth of the start.
    gc.disable()
    from ebbmark.cli import USAGE, main

    gc.freeze()
    gc.enable()
    try:
        code = main(arguments)
        sys.stdout.flush()
    except OSError as error:
        if error.errno == errno.EPIPE:
            # Nobody reads on, as behind `| head`: no fault of anybody.
            sys.stdout = None
            return UNREAD
        # What commands read is judged where it is read; what is left is the output.
        if error.errno not in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
            raise
        print(f"The output was not written whole: {error.strerror}.", file=sys.stderr)  # noqa: T201
        # What is left of it would be tried again when the process ends.
        sys.stdout = None
        return USAGE
    return code


if __name__ == "__main__":
    sys.exit(run())
