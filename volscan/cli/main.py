"""The command line: exit 0 measured, 2 the input cannot be used, 1 a bug of ours."""

from __future__ import annotations

import contextlib
import logging
import os
import sys
import warnings
from collections.abc import Sequence

import typer

import volscan
from volscan.cli import correct, demo, info, measure, phantom, report, study
from volscan.cli.console import ReaderLeft, Stopped, command_line, complain, say, stops_held
from volscan.errors import VolscanError

UNUSABLE, BUG, STOPPED = 2, 1, 130

app = typer.Typer(
    add_completion=False,
    pretty_exceptions_enable=False,
    help="From a micro-CT or OCT stack of a melt-electrowritten scaffold to porosity, pores, "
    "fibres, wall tilt, the layer shift for the next print, and a report.",
)
_COMMANDS = (
    info.info,
    measure.measure,
    correct.correct,
    report.report,
    study.study,
    phantom.phantom,
    demo.demo,
)
for _command in _COMMANDS:
    app.command(_command.__name__)(stops_held(_command))


@app.callback(invoke_without_command=True)
def _top(
    context: typer.Context,
    version: bool = typer.Option(False, "--version", help="Print the version and leave."),
) -> None:
    if version:
        say(f"volscan {volscan.__version__}")
    elif context.invoked_subcommand is None:
        say(context.get_help())


def run() -> None:
    """Run the command line of this process."""
    sys.exit(main(sys.argv[1:]))


def main(arguments: Sequence[str]) -> int:
    """Run a command line and return its exit status; nothing is raised but for debugging.

    Examples
    --------
    >>> main(["--version"])  # doctest: +ELLIPSIS
    volscan ...
    0
    """
    command_line.set(tuple(arguments))
    debugging = bool(os.environ.get("VOLSCAN_DEBUG"))
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            # A terminal without µ or ± shows a question mark rather than nothing.
            with contextlib.suppress(ValueError):
                reconfigure(errors="replace")
    # What libraries log or warn of is ours to tell, as notices of the results.
    logging.getLogger().addHandler(logging.NullHandler())
    try:
        with warnings.catch_warnings():
            if not debugging:
                warnings.simplefilter("ignore")
            status = app(args=list(arguments), prog_name="volscan", standalone_mode=False)
            sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except (KeyboardInterrupt, Stopped):
        complain("stopped; nothing was written")
        return STOPPED
    except (BrokenPipeError, ReaderLeft):
        # The reader of our output left, as `head` does. Nothing more can be said to it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except VolscanError as error:
        if debugging:
            raise
        complain(str(error))
        return UNUSABLE
    except MemoryError:
        if debugging:
            raise
        complain("the scan does not fit into this machine's memory; crop it or bin it first")
        return UNUSABLE
    except Exception as error:
        return _of_unexpected(error, debugging)


def _of_unexpected(error: Exception, debugging: bool) -> int:
    """Tell a mistake on the command line, an abort and a bug apart by what they offer."""
    told = getattr(error, "format_message", None)
    if callable(told):
        complain(f"{told()} (volscan --help lists what there is)")
        return UNUSABLE
    if type(error).__name__ == "Abort":
        complain("stopped; nothing was written")
        return STOPPED
    if debugging:
        raise error
    if isinstance(error, OSError):
        place = f" {error.filename}" if error.filename else ""
        complain(f"the system refused:{place} {error.strerror or error}")
        return UNUSABLE
    complain(
        f"a bug of volscan: {type(error).__name__}: {error}; please report it with the command "
        "line (VOLSCAN_DEBUG=1 shows where it happened)"
    )
    return BUG
