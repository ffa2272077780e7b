#!/usr/bin/env python3
"""Writes the manual pages and bash's completion from the commands themselves: nothing of them is written twice.

manual.py MAN_FOLDER COMPLETION_FILE
"""

import sys
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

from typer.main import get_command

from mustwatch import __version__
from mustwatch.cli import COMMANDS


def roff(text: str) -> str:
    """Return plain text for man(7): no line of it is taken for a request. Source: groff_man(7)."""
    escaped = text.replace("\\", "\\e").replace("-", "\\-")
    return "\n".join(f"\\&{line}" if line.startswith((".", "'")) else line for line in escaped.splitlines())


def words_of(parameter: Any) -> str:
    """Return an option or argument as it is typed, and what it is."""
    if parameter.param_type_name == "argument":
        typed = parameter.metavar or parameter.name.upper()
    else:
        value = "" if parameter.is_flag else f" {parameter.metavar or parameter.name.upper()}"
        typed = ", ".join(parameter.opts) + value
    return f".TP\n.B {roff(typed)}\n{roff(parameter.help or '')}\n"


def parameters_of(command: Any) -> Iterator[Any]:
    """Yield what a person may type after a command."""
    return (p for p in command.params if not getattr(p, "hidden", False) and p.name != "help")


def page_of(name: str, command: Any) -> str:
    """Return the manual page of a command."""
    subs = getattr(command, "commands", {})
    out = [
        f'.TH MUSTWATCH-{name.upper()} 1 "" "mustwatch {__version__}" "mustwatch"\n',
        f".SH NAME\nmustwatch\\-{name} \\- {roff(COMMANDS[name])}\n",
        f".SH SYNOPSIS\n.B mustwatch {name}\n{'COMMAND ' if subs else ''}[OPTIONS]\n",
        f".SH DESCRIPTION\n{roff(command.help or COMMANDS[name])}\n",
    ]
    if mine := list(parameters_of(command)):
        out.append(".SH OPTIONS\n" + "".join(words_of(p) for p in mine))
    for sub, of_sub in subs.items():
        out.append(f".SH {sub.upper()}\n.B mustwatch {name} {sub}\n.PP\n{roff(of_sub.help or '')}\n")
        out.append("".join(words_of(p) for p in parameters_of(of_sub)))
    out.append(".SH EXIT STATUS\n0 done, 1 it could not be done, 2 the input is wrong.\n")
    out.append(".SH SEE ALSO\n.BR mustwatch (1)\n")
    return "".join(out)


def main_page() -> str:
    """Return the page that lists the commands."""
    rows = "".join(f".TP\n.BR mustwatch\\-{name} (1)\n{roff(what)}\n" for name, what in COMMANDS.items())
    return (
        f'.TH MUSTWATCH 1 "" "mustwatch {__version__}" "mustwatch"\n'
        ".SH NAME\nmustwatch \\- watches fermenting wine and calls when something must be done\n"
        ".SH SYNOPSIS\n.B mustwatch\n[\\-\\-config PATH] COMMAND [OPTIONS]\n"
        f".SH COMMANDS\n{rows}"
        ".SH FILES\n.I /etc/mustwatch/mustwatch.toml\n.br\n.I /etc/mustwatch/mustwatch.example.toml\n.br\n"
        ".I /var/lib/mustwatch\n"
        ".SH EXIT STATUS\n0 done, 1 it could not be done, 2 the input is wrong.\n"
    )


def completion_of(commands: dict[str, Any]) -> str:
    """Return a completion for bash that calls nothing: to ask the command itself would ask for a password."""

    def options(command: Any) -> str:
        return " ".join(word for p in parameters_of(command) for word in p.opts if word.startswith("-"))

    cases = []
    for name, command in commands.items():
        subs = getattr(command, "commands", {})
        cases.append(f'    {name}) words="{" ".join(subs) or options(command)}" ;;')
        cases += [f'    {name}/{sub}) words="{options(of_sub)}" ;;' for sub, of_sub in subs.items()]
    return f"""# bash completion of mustwatch; written by manual.py from the commands of {__version__}
_mustwatch() {{
  local words="{" ".join(COMMANDS)}" at=""
  [ "$COMP_CWORD" -gt 1 ] && at=${{COMP_WORDS[1]}}
  if [ "$COMP_CWORD" -gt 2 ]; then
    case $at in
    {"|".join(n for n, c in commands.items() if getattr(c, "commands", None))}) at=$at/${{COMP_WORDS[2]}} ;;
    esac
  fi
  case $at in
{chr(10).join(cases)}
  esac
  mapfile -t COMPREPLY < <(compgen -W "$words" -- "${{COMP_WORDS[COMP_CWORD]}}")
}}
complete -o default -F _mustwatch mustwatch
"""


def main() -> None:
    """Write everything."""
    folder, completion = Path(sys.argv[1]), Path(sys.argv[2])
    commands = {name: get_command(import_module(f"mustwatch.cli.{name}").app) for name in COMMANDS}
    folder.mkdir(parents=True, exist_ok=True)
    completion.parent.mkdir(parents=True, exist_ok=True)
    (folder / "mustwatch.1").write_text(main_page(), encoding="utf-8")
    for name, command in commands.items():
        (folder / f"mustwatch-{name}.1").write_text(page_of(name, command), encoding="utf-8")
    completion.write_text(completion_of(commands), encoding="utf-8")


if __name__ == "__main__":
    main()
