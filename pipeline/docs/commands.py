"""The commands' page, from the command line itself."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.docs.markdown import code, page, table

EXITS = {
    "EXIT_FINE": "fine; a review that set rows aside says so and is fine",
    "EXIT_OUR_BUG": "a bug of ours, with its traceback",
    "EXIT_USAGE": "wrong usage: an option, a rule, a month or a folder that cannot be meant",
    "EXIT_REFUSED": "refused: the delivery or the store cannot be used, nothing was stored, and"
    " every reason is listed",
    "EXIT_SET_ASIDE": "usable, but rows were set aside (the command's help says so)",
    "EXIT_UNFINISHED": "stored, but not all pages could be written; the same command again does it",
    "EXIT_NOTHING": "nothing found: no trip of the month that was asked for, or no file yet",
}
CHANGE_FORMS = (
    "A change is one line of words in one of these forms; each with `from` may end in"
    " `until YYYY-MM`. [simulator.md](simulator.md) says how they come about."
)


def commands_page() -> str:
    """Every command with its arguments and options, and the exit codes."""
    from pipeline import errors

    return page(
        "Commands",
        "`tailrace COMMAND --help` prints the same. What goes wrong is a sentence on standard error"
        " that says what, where and what to do; each is listed in [errors.md](errors.md).",
        "## Exit codes",
        table(["code", "meaning"], [[str(getattr(errors, k)), v] for k, v in EXITS.items()]),
        *[part for name, command in commands().items() for part in _command(name, command)],
    )


def commands() -> dict[str, Any]:
    """Every command by its name, those of a group as `group name`, in the order of help."""
    from typer.main import get_command

    from pipeline.cli.main import app

    return dict(_inside(vars(get_command(app))["commands"]))


def _inside(listed: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    for name, command in listed.items():
        inner = getattr(command, "commands", None)
        if inner:
            yield from _inside(inner, f"{above}{name} ")
        else:
            yield f"{above}{name}", command


def _command(name: str, command: Any) -> Iterator[str]:
    yield f"## tailrace {name}"
    yield str(command.help)
    shown = [p for p in command.params if p.name != "help"]
    if shown:
        yield table(
            ["argument or option", "default", "meaning"],
            [[_called(p), _default(p), p.help or ""] for p in shown],
        )
    if name == "simulate":
        from pipeline.docs.simulator import changes_table

        yield CHANGE_FORMS
        yield changes_table()


def _called(parameter: Any) -> str:
    if parameter.param_type_name == "argument":
        return code(parameter.metavar)
    takes = "" if parameter.is_flag else f" {parameter.metavar}"
    names = [*parameter.opts, *parameter.secondary_opts]
    return ", ".join(code(f"{option}{takes}") for option in names)


def _default(parameter: Any) -> str:
    if parameter.required:
        return "must be given"
    value = parameter.default
    return "" if value is None or value is False or value == [] else code(value)
