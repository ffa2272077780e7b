#!/usr/bin/env python3
"""Writes the manual pages and the shells' completions from the commands themselves: nothing of them is written twice.

manual.py MAN_FOLDER BASH_COMPLETION ZSH_COMPLETION
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


def following(commands: dict[str, Any]) -> dict[str, str]:
    """Return what may follow each command, and each of its own commands: ``{"record/start": "--vessel --at"}``."""

    def options(command: Any) -> str:
        return " ".join(word for p in parameters_of(command) for word in p.opts if word.startswith("-"))

    words = {}
    for name, command in commands.items():
        subs = getattr(command, "commands", {})
        words[name] = " ".join(subs) or options(command)
        words |= {f"{name}/{sub}": options(of_sub) for sub, of_sub in subs.items()}
    return words


def bash_completion(words: dict[str, str]) -> str:
    """Return a completion for bash that calls nothing: to ask the command itself would ask for a password."""
    groups = "|".join(dict.fromkeys(at.split("/")[0] for at in words if "/" in at))
    cases = "\n".join(f'    {at}) words="{follow}" ;;' for at, follow in words.items())
    return f"""# bash completion of mustwatch; written by manual.py from the commands of {__version__}
_mustwatch() {{
  local words="{" ".join(COMMANDS)}" at=""
  [ "$COMP_CWORD" -gt 1 ] && at=${{COMP_WORDS[1]}}
  if [ "$COMP_CWORD" -gt 2 ]; then
    case $at in
    {groups}) at=$at/${{COMP_WORDS[2]}} ;;
    esac
  fi
  case $at in
{cases}
  esac
  mapfile -t COMPREPLY < <(compgen -W "$words" -- "${{COMP_WORDS[COMP_CWORD]}}")
}}
complete -o default -F _mustwatch mustwatch
"""


def zsh_completion(words: dict[str, str]) -> str:
    """Return the same for zsh; a command is shown with what it does."""
    groups = "|".join(dict.fromkeys(at.split("/")[0] for at in words if "/" in at))
    cases = "\n".join(f"    {at}) follow=({follow}) ;;" for at, follow in words.items())
    told = "\n".join(
        "    '{}:{}'".format(name, what.replace("'", "'\\''")) for name, what in COMMANDS.items()
    )
    return f"""#compdef mustwatch
# zsh completion of mustwatch; written by manual.py from the commands of {__version__}
_mustwatch() {{
  local at=$words[2]
  local -a follow told
  if (( CURRENT == 2 )); then
    told=(
{told}
    )
    _describe command told
    return
  fi
  if (( CURRENT > 3 )); then
    case $at in
    {groups}) at=$at/$words[3] ;;
    esac
  fi
  case $at in
{cases}
  esac
  compadd -- $follow
  _files
}}
_mustwatch "$@"
"""


def main() -> None:
    """Write everything: pages into the first folder, completions of bash and zsh into the two files."""
    folder, bash, zsh = (Path(given) for given in sys.argv[1:])
    commands = {name: get_command(import_module(f"mustwatch.cli.{name}").app) for name in COMMANDS}
    words = following(commands)
    for made in (folder, bash.parent, zsh.parent):
        made.mkdir(parents=True, exist_ok=True)
    (folder / "mustwatch.1").write_text(main_page(), encoding="utf-8")
    for name, command in commands.items():
        (folder / f"mustwatch-{name}.1").write_text(page_of(name, command), encoding="utf-8")
    bash.write_text(bash_completion(words), encoding="utf-8")
    zsh.write_text(zsh_completion(words), encoding="utf-8")


if __name__ == "__main__":
    main()
