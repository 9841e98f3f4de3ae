"""The hand-over list on its page and on Today."""

from __future__ import annotations

from datetime import timedelta

from tests.pages.stocked import NOW, Stocked


def test_a_note_is_left_for_the_next_shift_and_closed(shelf: Stocked) -> None:
    """It stands on Today until somebody closes it by name, and a day longer on the page; nothing typed is lost by a refusal."""
    with shelf.serving() as visitor:
        assert "Nothing is left to do" in visitor.page("/").text
        refused = visitor.post("/hand-over", text="Run <41> again", name="")
        assert refused.status_code == 409
        assert "Run &lt;41&gt; again" in refused.text
        assert visitor.post("/hand-over", text="Run <41> again", name="Ben").status_code == 303
        for page in ("/", "/hand-over", "/?wall=true"):
            text = visitor.page(page).text
            assert "Run <41> again" in text
            assert "Ben, 12:00" in text
        assert visitor.post("/hand-over/1/close", name="").status_code == 409
        assert visitor.post("/hand-over/1/close", name="Ana").status_code == 303
        assert visitor.post("/hand-over/1/close", name="Ana").status_code == 409
        assert "41" not in visitor.page("/?wall=true").text
        assert "closed by Ana" in visitor.page("/hand-over").text
        shelf.now = NOW + timedelta(hours=25)
        assert "closed by Ana" not in visitor.page("/hand-over").text
