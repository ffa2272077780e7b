"""`make report`: write each REPORT.md from its template and the kept figures beside it.

python tests/report.py            write them
python tests/report.py --check    exit with 1, naming those that are not what their figures say
"""

import json
import sys
from collections.abc import Iterator
from importlib.util import module_from_spec, spec_from_file_location
from pathlib import Path
from types import ModuleType
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined

HERE = Path(__file__).parent


def runner(folder: str) -> ModuleType:
    """Return a folder's own `run.py`, which knows how its table is printed."""
    spec = spec_from_file_location(f"{folder}_run", HERE / folder / "run.py")
    assert spec is not None
    assert spec.loader is not None
    module = module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def tables(folder: str, figures: dict[str, Any]) -> dict[str, str]:
    """Return the tables that a folder's own runner prints of its kept figures."""
    if folder == "bench":
        bench = runner(folder)
        return {"bench_table": bench.table([bench.Row(**row) for row in figures["bench"]["rows"]])}
    return {"faults_table": runner(folder).table(figures["faults"]["rows"])} if folder == "faults" else {}


def kept(folder: str) -> dict[str, Any]:
    """Return what is kept beside a report, by the name of its file."""
    return {
        file.stem: json.loads(file.read_text()) for file in sorted((HERE / folder / "kept").glob("*.json"))
    }


def reports() -> Iterator[tuple[Path, str]]:
    """Yield each report's file and the text its figures make."""
    environment = Environment(
        loader=FileSystemLoader(HERE),
        undefined=StrictUndefined,
        autoescape=False,  # noqa: S701 - Markdown, from our own figures
    )
    for template in sorted(HERE.glob("*/REPORT.md.j2")):
        folder = template.parent.name
        figures = kept(folder)
        document = environment.get_template(f"{folder}/{template.name}")
        text = document.render(**figures, **tables(folder, figures)).rstrip() + "\n"
        yield template.with_suffix(""), text


def main() -> int:
    """Write or check them all."""
    is_check, stale = "--check" in sys.argv, []
    for file, text in reports():
        if not is_check:
            file.write_text(text, encoding="utf-8")
        elif not file.exists() or file.read_text(encoding="utf-8") != text:
            stale.append(str(file.relative_to(HERE.parent)))
    if stale:
        print(f"not what the kept figures say: {', '.join(stale)}; run `make report`", file=sys.stderr)
    return int(bool(stale))


if __name__ == "__main__":
    sys.exit(main())
