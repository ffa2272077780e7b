"""Analyses on the lot's page, through the API and in print: written, shown with unit, method and error, refused."""

import re
from collections.abc import Callable

import pytest

from web_cellar import Pages

Over = Callable[..., Pages]
KIT = "/lot/Garage kit"
ENTRIES = "/api/lots/Garage kit/entries"


@pytest.fixture
def pages(pages_over: Over) -> Pages:
    return pages_over()


def token(pages: Pages) -> str:
    found = re.search(r'name="form_token" value="([^"]+)"', pages.client.get(KIT).text)
    assert found is not None
    return found[1]


def write(pages: Pages, **typed: str) -> str:
    """Send the form of an analysis; return the page that it leads to."""
    answer = pages.client.post(f"{KIT}/record/analysis", data={"form_token": token(pages), **typed})
    return answer.text


def test_an_analysis_is_written_on_the_page_and_stands_there_in_a_table_and_a_curve(pages: Pages) -> None:
    said = write(pages, free_so2="31", method="aspiration", error="3", at="72h ago")
    assert "The analysis is written." in said
    write(pages, free_so2="22 mg/L", ph="3,42", malic="traces", at="3h ago")

    page = pages.client.get(KIT).text

    table = page[page.index('id="measured"') : page.index('aria-labelledby="next"')]
    assert "31 ±3 mg/L" in table
    assert "aspiration" in table
    assert table.count("<svg") == 1, "one quantity has two values; a lone one and a word have no curve"
    assert 'aria-label="free SO2 over time"' in table
    assert "traces" in table
    printed = pages.client.get(f"{KIT}/record").text
    assert "<h2>Analyses</h2>" in printed
    assert "31 ±3 mg/L" in printed


def test_an_analysis_through_the_api_is_given_back_by_it_and_undone(pages: Pages) -> None:
    body = {"kind": "measure", "acidity": 6.5, "method": "titration", "error": 0.2, "at": "3h ago"}
    written = pages.client.post(ENTRIES, json=body)
    assert written.status_code == 201, written.text

    measured = pages.client.get("/api/lots/Garage kit").json()["measured"]

    assert [(q["quantity"], q["unit"]) for q in measured] == [("acidity", "g/L as tartaric acid")]
    value = measured[0]["values"][0]
    assert (value["value"], value["error"], value["method"]) == (6.5, 0.2, "titration")
    assert value["words"] == "6.5 ±0.2 g/L as tartaric acid"
    assert pages.client.delete(f"{ENTRIES}/{written.json()['id']}").status_code == 200
    assert pages.client.get("/api/lots/Garage kit").json()["measured"] == []


@pytest.mark.parametrize(
    ("body", "said"),
    [
        ({"ph": 34}, "pH 34: expected a pH such as 3.4, between 2 and 5"),
        ({"malic": "maybe"}, "expected one of present, traces, gone"),
        ({"free_so2": "30 bar"}, "unknown unit; expected mg/L such as 30"),
        ({"free_so2": 50, "total_so2": 40}, "more than the total"),
    ],
    ids=str,
)
def test_what_no_analysis_could_say_is_refused_by_the_api_and_nothing_is_written(
    pages: Pages, body: dict[str, object], said: str
) -> None:
    before = len(pages.store.book.entries())

    answer = pages.client.post(ENTRIES, json={"kind": "measure", **body})

    assert answer.status_code in (409, 422)
    assert said in answer.json()["detail"]
    assert len(pages.store.book.entries()) == before


def test_a_refused_analysis_opens_its_own_form_again_with_what_was_typed(pages: Pages) -> None:
    page = write(pages, ph="34", method="meter")

    form = page[page.index('action="/lot/Garage%20kit/record/analysis"') :]
    form = form[: form.index("</form>")]
    assert 'value="34"' in form
    assert 'value="meter"' in form


def test_the_page_tells_what_is_left_of_the_so2_and_the_dose_with_its_caution(pages: Pages) -> None:
    write(pages, free_so2="20", total_so2="80", ph="3.4", at="3h ago")

    page = pages.client.get(KIT).text
    said = page[page.index('id="lot-so2"') : page.index('aria-labelledby="next"')]

    assert "Free SO₂ 20 mg/L (last measured" in said
    assert "total 80 or more of at most 200 mg/L" in said
    assert "For 0.8 mg/L molecular: 0.48 g of potassium metabisulfite" in said, "11.9 mg/L in 23 L"
    assert "asthma" in said
    so2 = pages.client.get("/api/lots/Garage kit").json()["so2"]
    assert so2["free_mg_per_l"][1] == 20.0
    assert [line["total_mg_per_l"] for line in so2["ledger"]] == [80.0]
    assert "total 80 mg/L or more" in pages.client.get(f"{KIT}/record").text


def test_the_malolactic_ferment_is_written_on_the_page_and_through_the_api_and_undone(pages: Pages) -> None:
    form = {"form_token": token(pages), "state": "begun", "at": "3h ago"}
    page = pages.client.post(f"{KIT}/record/malolactic", data=form).text
    assert "The malolactic ferment is written." in page
    assert "<dt>Malolactic</dt><dd><b>begun</b>" in page
    written = pages.client.post(ENTRIES, json={"kind": "malolactic", "state": "done", "at": "2h ago"})
    assert written.status_code == 201
    assert pages.client.get("/api/lots/Garage kit").json()["malolactic"]["state"] == "done"
    pages.client.delete(f"{ENTRIES}/{written.json()['id']}")
    assert pages.client.get("/api/lots/Garage kit").json()["malolactic"]["state"] == "begun"
    wrong = pages.client.post(ENTRIES, json={"kind": "malolactic", "state": "perhaps"})
    assert wrong.status_code == 422
    assert "expected one of wanted, begun, done, prevented" in wrong.json()["detail"]


def test_an_entry_is_moved_to_another_lot_on_the_page_and_through_the_api(pages: Pages) -> None:
    body = {"kind": "taste", "text": "ripe", "at": "3h ago"}
    written = pages.client.post(ENTRIES, json=body).json()["id"]
    assert f"/move/{written}" in pages.client.get(KIT).text

    form = {"form_token": token(pages), "to": "Hillside red"}
    page = pages.client.post(f"{KIT}/move/{written}", data=form).text

    assert "The entry is in this lot&#39;s book now." in page
    moved = next(
        e for e in pages.store.book.entries("Hillside red") if e.kind == "taste" and e.undone_ms is None
    )
    address = f"/api/lots/Hillside red/entries/{moved.id}/move"
    nobody = pages.client.post(address, json={"lot": "nobody"})
    assert nobody.status_code == 409
    assert "nobody" in nobody.json()["detail"]
    assert pages.client.post(address, json={"lot": "Garage kit"}).status_code == 200
    assert pages.client.post(address, json={"lot": "Garage kit"}).status_code == 404
    tasted = [e for e in pages.store.book.entries("Garage kit") if e.kind == "taste" and e.undone_ms is None]
    assert [e.what.text for e in tasted] == ["ripe"]  # type: ignore[union-attr]
