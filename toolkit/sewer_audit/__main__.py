"""The command line: ``sewer-audit``, the same as ``python -m sewer_audit``.

Exit codes: 0 done, 1 input refused (the reason on standard error), 2 wrong usage. Nothing heavy is
imported before a command needs it, so that ``--help`` answers at once.
"""

from __future__ import annotations

import signal
import sys
from collections.abc import Sequence
from contextlib import suppress

from sewer_audit.commands.parsing import parser
from sewer_audit.errors import AuditError, InputRefused

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command."""
    words = parser()
    given = words.parse_args(arguments)
    if not hasattr(given, "run"):
        words.print_help(sys.stderr)
        return 2
    with suppress(ValueError):  # in another thread than the main one
        signal.signal(signal.SIGTERM, signal.default_int_handler)  # asked to end: clear up first
    try:
        return given.run(given) or 0
    except InputRefused as error:
        for problem in error.problems:
            print(problem, file=sys.stderr)
        count = len(error.problems)
        print(f"refused: {count} problem{'s' if count != 1 else ''}", file=sys.stderr)
    except AuditError as error:
        print(f"refused: {error}", file=sys.stderr)
    except KeyboardInterrupt:
        print("stopped", file=sys.stderr)
    except BrokenPipeError:
        sys.stderr.close()
    return 1


if __name__ == "__main__":
    sys.exit(main())
