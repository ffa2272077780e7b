"""Acids, sulfite and sugar of a wine by commands: written, corrected, shown, printed; the cellar's dose from them."""

from pathlib import Path

from book_cellar import BookCellar


def test_an_analysis_is_written_corrected_and_printed_by_commands(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=90)
    cellar.do("record", "start", "red", "--vessel", "carboy", "--gravity", "1.090", "--litres", "20", day=0)

    said = cellar.do(
        "record", "measure", "red", "--ph", "3.42", "--acidity", "6.5", "--yan", "140", "--method", "laboratory",
        day=0.1,
    )  # fmt: skip
    assert "measured: pH 3.42, titratable acidity 6.5 g/L as tartaric acid, YAN 140 mg/L of nitrogen" in said
    cellar.do("record", "measure", "red", "--malic", "traces", "--residual-sugar", "1,8 g/L", day=40)

    wrong = cellar.run("record", "measure", "red", "--free-so2", "60", "--total-so2", "40", day=60)
    assert wrong.code == 2
    assert "free SO2 60 mg/L is more than the total 40 mg/L" in wrong.err
    wrong = cellar.run("record", "measure", "red", "--malic", "some", day=60)
    assert wrong.code == 2

    record = cellar.json("book", "red")
    by = {q["quantity"]: q["values"][0] for q in record["measured"]}
    assert by["ph"]["value"] == 3.42
    assert by["yan"]["method"] == "laboratory"
    assert by["malic"]["value"] == "traces"
    assert by["residual-sugar"]["value"] == 1.8
    first = next(e for e in record["entries"] if e.get("ph"))
    cellar.do("record", "correct", first["id"], "ph=3.52", "acidity=6.1")
    by = {q["quantity"]: q["values"] for q in cellar.json("book", "red")["measured"]}
    assert [v["value"] for v in by["ph"]] == [3.52]
    assert [v["value"] for v in by["acidity"]] == [6.1]
    assert "malic acid traces" in cellar.do("book", "red")
    page = tmp_path / "red.html"
    cellar.do("book", "red", "--html", str(page))
    assert "6.1 g/L as tartaric acid" in page.read_text(encoding="utf-8")
