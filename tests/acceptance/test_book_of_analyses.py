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


def test_the_dose_of_sulfite_takes_litres_ph_so2_and_limit_from_the_lot_s_book(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=60)
    cellar.do("record", "start", "red", "--vessel", "bucket", "--gravity", "1.090", "--litres", "20", day=0)

    nothing = cellar.run("calc", "sulfite", "red", "--target-molecular", "0.8")
    assert nothing.code == 2
    assert "--ph: missing and the book of 'red' does not say it" in nothing.err

    cellar.do("record", "rack", "red", "--to", "carboy", "--litres", "20", day=20)
    cellar.do("record", "measure", "red", "--ph", "3.4", "--free-so2", "10", "--total-so2", "60", day=59)
    found = cellar.json("calc", "sulfite", "red", "--target-molecular", "0.8")
    # 31.9 mg/L are to be free (extension table 32): 21.9 more in 20 L are 0.438 g of SO2, 0.760 g of the salt.
    assert abs(found["metabisulfite_g"] - 0.760) < 0.005
    assert abs(found["total_after_mg_per_l"] - 81.9) < 0.1
    assert "pH 3.4" in found["from_the_book"][0]
    assert "asthma" in " ".join(found["cautions"])
    over = cellar.run("calc", "sulfite", "red", "--target-molecular", "0.8", "--limit", "70")
    assert over.code == 1
    assert "over the limit of 70 mg/L" in over.err
    assert cellar.run("calc", "sulfite", "rot", "--target-molecular", "0.8").code == 2

    refused = cellar.run("record", "add", "red", "potassium metabisulfite", "500g", day=59.5)
    assert refused.code == 1
    assert "over the limit of 200 mg/L" in refused.err
    so2 = cellar.json("book", "red")["so2"]
    assert so2["total_mg_per_l"] == 60.0
    assert so2["limit_mg_per_l"] == 200.0
    assert so2["molecular_mg_per_l"][0] > 0.1


def test_a_malolactic_ferment_goes_its_course_by_commands(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=100)
    cellar.do("record", "start", "red", "--vessel", "carboy", "--profile", "red", "--gravity", "1.090",
              "--litres", "20", day=0)  # fmt: skip
    for day in (20, 25):
        cellar.do("record", "measure", "red", "--gravity", "0.995", "--celsius", "20", day=day)
    assert "malolactic ferment wanted" in cellar.do("record", "malolactic", "red", "wanted", day=26)
    cellar.do("record", "add", "red", "malolactic bacteria", "1 sachet", day=27)

    refused = cellar.run("record", "add", "red", "potassium metabisulfite", "1g", day=40)
    assert refused.code == 1
    assert "its malolactic ferment runs" in refused.err
    row = next(v for v in cellar.json("cellar")["vessels"] if v["lot"] == "red")
    assert any("Test the malic acid" in reminder["do"] for reminder in row["remember"])

    cellar.do("record", "measure", "red", "--malic", "gone", "--method", "paper", day=60)
    cellar.do("record", "add", "red", "potassium metabisulfite", "1g", day=61)
    geranium = cellar.run("record", "add", "red", "potassium sorbate", "4g", day=62)
    assert geranium.code == 1
    assert "geraniums" in geranium.err
    assert cellar.run("record", "malolactic", "red", "perhaps", day=63).code == 2


def test_an_entry_of_the_wrong_lot_is_moved_to_the_right_one_by_the_rules_of_both(tmp_path: Path) -> None:
    cellar = BookCellar(tmp_path, days_ago=30)
    cellar.do("record", "start", "red", "--vessel", "carboy", "--gravity", "1.090", "--litres", "20", day=0)
    cellar.do("record", "start", "plum", "--vessel", "bucket", "--gravity", "1.070", "--litres", "20", day=5)
    cellar.do("record", "measure", "red", "--gravity", "1.068", "--celsius", "20", day=6)
    check = next(e for e in cellar.json("book", "red")["entries"] if e["kind"] == "measure")

    assert "plum" in cellar.do("record", "correct", check["id"], "lot=plum").splitlines()[0]

    left = next(e for e in cellar.json("book", "red")["entries"] if e["kind"] == "measure")
    came = next(e for e in cellar.json("book", "plum")["entries"] if e["kind"] == "measure")
    assert left["standing"] == "undone"
    assert (came["standing"], came["gravity"], came["at"]) == ("holds", 1.068, check["at"])
    rows = {v["lot"]: v for v in cellar.json("cellar")["vessels"] if v["lot"]}
    assert abs(rows["plum"]["gravity"] - 1.068) < 0.001
    assert abs(rows["red"]["gravity"] - 1.090) < 0.001
    early = cellar.run("record", "add", "red", "water", "1L", day=1)
    assert early.code == 0
    water = next(e for e in cellar.json("book", "red")["entries"] if e["kind"] == "add")
    refused = cellar.run("record", "correct", water["id"], "lot=plum")
    assert refused.code == 2
    assert "before lot 'plum' began" in refused.err
    assert next(e for e in cellar.json("book", "red")["entries"] if e["kind"] == "add")["standing"] == "holds"
    begun = cellar.json("book", "red")["entries"][0]
    assert cellar.run("record", "correct", begun["id"], "lot=plum").code == 2
    assert cellar.run("record", "correct", came["id"], "lot=nobody").code == 2
