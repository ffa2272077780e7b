"""All lots: by year, searched, and laid over each other."""

import re
from collections.abc import Callable

from web_cellar import Pages

NAMES = re.compile(r'<td><a href="/lot/[^"]+">([^<]+)</a>')


def test_lots_stand_by_year_and_are_found_by_words_of_name_must_and_notes(
    pages_over: Callable[..., Pages],
) -> None:
    pages = pages_over()
    every = [row["lot"] for row in pages.hand.lots()]

    assert NAMES.findall(pages.client.get("/lots").text) == every
    assert re.findall(r"<h2>(\d{4})</h2>", pages.client.get("/lots").text)
    assert NAMES.findall(pages.client.get("/lots", params={"q": "KIT garage"}).text) == ["Garage kit"]
    assert NAMES.findall(pages.client.get("/lots", params={"q": "quoted more"}).text) == ["Garage kit"], (
        "a note"
    )
    assert "No lot has these words." in pages.client.get("/lots", params={"q": "quince"}).text
    assert [row["lot"] for row in pages.client.get("/api/lots", params={"q": "kit"}).json()] == ["Garage kit"]


def test_lots_laid_over_each_other_begin_on_the_same_day(pages_over: Callable[..., Pages]) -> None:
    pages = pages_over()
    chosen = [row["lot"] for row in pages.hand.lots()][:3]

    document = pages.client.get("/api/laid-over", params={"lot": chosen}).json()
    page = pages.client.get("/lots/over", params={"lot": chosen}).text

    assert [lot["lot"] for lot in document["lots"]] == chosen
    for number, lot in enumerate(document["lots"], 1):
        curves = pages.client.get(f"/api/lots/{lot['lot']}/curves").json()
        assert 0 <= lot["gravity"]["day"][0] < 1
        assert lot["gravity"]["value"][-1] == curves["estimate"]["gravity"][-1]
        assert lot["gravity"]["day"] == sorted(lot["gravity"]["day"])
        assert f'class="lot-{number}" data-quantity="gravity"' in page
    deeds = [said for row in document["done"] for of_lot in row["lots"] for said in of_lot]
    assert deeds
    assert all(
        said.split(";")[0] in page.replace("&#39;", "'").replace("&#34;", '"')
        for said in deeds
        if "<" not in said
    )
    days = [row["day"] for row in document["done"]]
    assert days == sorted(days)


def test_only_the_first_days_are_shown_when_asked(pages_over: Callable[..., Pages]) -> None:
    pages = pages_over()
    chosen = [row["lot"] for row in pages.hand.lots()][:2]

    document = pages.client.get("/api/laid-over", params={"lot": chosen, "days": 3}).json()

    assert document["days"] == 3
    assert all(day <= 3 for lot in document["lots"] for day in lot["gravity"]["day"])
    assert all(row["day"] <= 3 for row in document["done"])


def test_one_lot_or_an_unknown_one_is_refused_in_words(pages_over: Callable[..., Pages]) -> None:
    pages = pages_over()

    one = pages.client.get("/api/laid-over", params={"lot": ["Garage kit"]})
    unknown = pages.client.get("/lots/over", params={"lot": ["Garage kit", "Garage kot"]})

    ticked = pages.client.get("/lots/over", params={"lot": ["Garage kit"]})
    assert (ticked.status_code, "Tick two to four lots" in ticked.text) == (409, True)
    assert one.status_code == 422
    assert "2" in one.json()["detail"]
    assert unknown.status_code == 404
    assert "did you mean &#39;Garage kit&#39;" in unknown.text
