"""Entry of the command ``crestgauge`` and of ``python -m crestgauge.cli``."""

from __future__ import annotations

import sys
from collections.abc import Sequence

import typer

from crestgauge.cli.app import EXIT_BROKEN, EXIT_OK, EXIT_STOPPED, EXIT_USAGE, load_commands
from crestgauge.inference.errors import CrestgaugeError


def main(arguments: Sequence[str] | None = None) -> int:
    """
    Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; taken from the command line when not given.

    Returns
    -------
    int
        Exit status, see `crestgauge.cli.app`. A bug ends with its traceback.
    """
    try:
        status = load_commands()(args=arguments, prog_name="crestgauge", standalone_mode=False)
    except (typer.Abort, KeyboardInterrupt):
        status = EXIT_STOPPED
    except SystemExit as stop:  # the reader of a pipe has left, as `| head` does
        return stop.code if isinstance(stop.code, int) else EXIT_BROKEN
    except CrestgaugeError as error:
        # Whatever can be blamed on one photo was handled there; here nothing could be started.
        print(f"crestgauge: {error}", file=sys.stderr)
        return EXIT_USAGE
    except OSError as error:
        # Reading photos has its own errors; what is left is writing: no space, no permission.
        print(f"crestgauge: {error.filename or 'output'}: {error.strerror or error}.", file=sys.stderr)
        return EXIT_BROKEN
    except Exception as error:
        # Wrong usage. Its class lies in click or in a copy of click inside typer, depending on typer's
        # version.
        show, code = getattr(error, "show", None), getattr(error, "exit_code", None)
        if show is None or not isinstance(code, int):
            raise
        show()
        return code
    if status == EXIT_STOPPED:
        print("Stopped. What was written before is kept.", file=sys.stderr)
    return status if isinstance(status, int) else EXIT_OK


if __name__ == "__main__":
    sys.exit(main())
