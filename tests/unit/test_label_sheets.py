"""Sheets of labels fit on A4 paper, and no label lies on another."""

import pytest

from mustwatch.config.label_sheets import A4_MM, LabelSheet, label_sheets


@pytest.mark.parametrize("sheet", label_sheets().values(), ids=label_sheets())
def test_every_label_is_on_the_paper_and_beside_the_others(sheet: LabelSheet) -> None:
    corners = [sheet.corner(place) for place in range(sheet.count)]

    assert len(set(corners)) == sheet.columns * sheet.rows
    for x, y in corners:
        assert 0 <= x <= A4_MM[0] - sheet.width + 0.01
        assert 0 <= y <= A4_MM[1] - sheet.height + 0.01
    for x, y in corners:
        for other_x, other_y in corners:
            is_beside = abs(x - other_x) >= sheet.width - 0.01 or abs(y - other_y) >= sheet.height - 0.01
            assert (x, y) == (other_x, other_y) or is_beside
    left, right = corners[0][0], A4_MM[0] - corners[sheet.columns - 1][0] - sheet.width
    assert left == pytest.approx(right, abs=0.1), "a sheet is the same turned round"
    assert corners[0][1] == pytest.approx(A4_MM[1] - corners[-1][1] - sheet.height, abs=0.1)
