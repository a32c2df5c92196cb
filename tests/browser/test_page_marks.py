"""Marks in the review page, in a real browser: steps back and forth, drafts in its store, the marks of the file.

The page's own file of marks is what is compared: what Save marks would write.
"""

import json

import numpy as np
import pytest

from spatial.media.tables import OpenMark, read_marks
from tests.browser.conftest import Watched, mark_by_hand, settle, wait_until

pytestmark = pytest.mark.slow

NAMES = ["Juno", "Odile", "Perrin", "Tamsin"]
HOSTILE = "</script><img src=x onerror=hacked=1>"


def csv(page):
    """What would be saved."""
    return page.evaluate("marksCsv(desk.sheet)")


def names(page):
    return [line.split(",")[0] for line in csv(page).splitlines()[1:]]


def tool(page, act, who):
    return page.locator(f"#marks li:has(.who:text-is('{who}')) [data-act={act}]")


def text(page, part):
    return page.locator(f"#{part}").inner_text()


def add(page, who, at_px=(160, 240)):
    mark_by_hand(page, who, at_px, 2.0, 5.0, "")
    page.locator("#marking button[type=submit]").click()


def drafts(page):
    """What the store holds, by key."""
    return page.evaluate("Object.fromEntries(Object.entries(localStorage))")


# --- the store -----------------------------------------------------------------------------------------------


def test_marks_come_back_with_a_word_and_can_be_discarded(known, watched):
    page = watched.open(known())
    for who in ("Nell", "Ann", "Bo"):
        add(page, who)
    before = csv(page)
    watched.reload()
    assert csv(page) == before
    assert page.locator("#marks li.mine").count() == 3
    clock = page.evaluate("momentInWords(draftFrom(draftText()).at)")
    assert text(page, "drafts") == f"3 marks of yours from {clock} are back. Discard"
    page.locator("#drafts button", has_text="Discard").click()
    assert names(page) == []
    assert text(page, "drafts") == ""
    page.keyboard.press("Control+z")
    assert csv(page) == before
    assert watched.complaints == []


def test_an_untouched_page_keeps_nothing_and_asks_nothing(reviewed, watched):
    page = watched.open(reviewed[1])
    page.locator("#play").click()
    page.locator("#play").click()
    watched.reload()
    assert watched.asked == 0
    assert drafts(page) == {}
    assert [text(page, part) for part in ("drafts", "trouble", "changes", "said")] == [""] * 4


def test_leaving_asks_while_marks_are_not_saved(known, watched):
    page = watched.open(known())
    add(page, "Nell")

    def asked_once_more():
        before = watched.asked
        page.close(run_before_unload=True)
        page.wait_for_timeout(150)
        return watched.asked - before

    assert asked_once_more() == 1
    with page.expect_download():
        page.locator("#save").click()
    tool(page, "change", "Nell").click()
    page.locator("#who").fill("Nelly")
    assert asked_once_more() == 1  # a change that is not kept yet is not saved either
    page.keyboard.press("Escape")
    watched.reload()
    assert watched.asked == 2  # saved: it was left without a question
    assert names(page) == ["Nell"]


def test_a_mark_that_was_open_is_open_again(known, watched):
    page = watched.open(known())
    mark_by_hand(page, "Nell", (160, 240), 2.0, 5.0, "2,5")
    before = page.evaluate("desk.form.entry")
    watched.reload()
    assert "The mark that was open is open again." in text(page, "drafts")
    assert page.evaluate("desk.form.entry") == before
    assert [page.locator(part).input_value() for part in ("#who", "#distance")] == ["Nell", "2.5"]
    page.locator("#marking button[type=submit]").click()
    assert names(page) == ["Nell"]


def test_without_a_store_the_page_says_so_and_works(known, watched, tmp_path):
    watched.page.add_init_script(
        "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('no', 'SecurityError'); } })"
    )
    page = watched.open(known())
    assert "This browser keeps nothing for this page" in text(page, "trouble")
    add(page, "Nell")
    with page.expect_download() as waiting:
        page.locator("#save").click()
    waiting.value.save_as(tmp_path / "marks.csv")
    assert [mark.who for mark in read_marks(tmp_path / "marks.csv")] == ["Nell"]
    assert watched.complaints == []


def test_a_full_store_is_said_until_there_is_room(known, watched):
    page = watched.open(known())
    page.evaluate(
        """() => { for (let size = 1 << 22; size; size >>= 1)
          try { for (;;) localStorage.setItem("other " + Math.random(), "x".repeat(size)); } catch { } }"""
    )
    add(page, "Nell")
    assert "is full or shut" in text(page, "trouble")
    assert names(page) == ["Nell"]
    page.evaluate("localStorage.clear()")
    add(page, "Ann")
    assert text(page, "trouble") == ""
    watched.reload()
    assert names(page) == ["Nell", "Ann"]
    assert watched.complaints == []


def test_a_store_emptied_by_hand_takes_no_mark_from_the_page(known, watched):
    page = watched.open(known())
    add(page, "Nell")
    page.evaluate("localStorage.clear()")
    add(page, "Ann")
    assert names(page) == ["Nell", "Ann"]


GOOD = {"id": "n1", "who": HOSTILE, "start_s": 1, "end_s": 2, "azimuth_deg": 0, "elevation_deg": 0, "distance_m": None}


def test_a_draft_that_cannot_be_one_is_left_out(known, watched):
    page = watched.open(known())
    broken = ["{", "null", '{"at": 1, "base": [], "sheet": 5}'] + [
        json.dumps({"at": 1, "base": [], "sheet": sheet})
        for sheet in (
            [{**GOOD, "end_s": 1e12}], [{**GOOD, "id": "<b>"}], [GOOD, GOOD], [{**GOOD, "azimuth_deg": "0"}],
            [{**GOOD, "start_s": None}], [{**GOOD, "who": 5}], [None],
        )
    ]  # fmt: skip
    assert page.evaluate("(text) => draftFrom(text)", json.dumps({"at": 1, "base": [], "sheet": [GOOD]}))
    assert page.evaluate("(texts) => texts.map(draftFrom)", broken) == [None] * len(broken)
    page.evaluate("(text) => { for (const key of [DRAFT, DRAFTS + 'o']) localStorage.setItem(key, text); }", broken[3])
    watched.reload()
    assert names(page) == []
    assert text(page, "drafts") == ""
    add(page, "Nell")
    watched.reload()
    assert names(page) == ["Nell"]
    assert watched.complaints == []


def test_names_from_the_store_are_only_names(known, watched):
    page = watched.open(known())
    draft = json.dumps({"at": 1, "base": [], "sheet": [GOOD]})
    page.evaluate("(text) => { for (const key of [DRAFT, DRAFTS + 'other']) localStorage.setItem(key, text); }", draft)
    watched.reload()
    assert page.locator("#marks li .who").inner_text() == HOSTILE
    page.locator("#drafts button", has_text="Discard").click()
    watched.reload()
    assert HOSTILE in text(page, "drafts")
    assert page.evaluate("typeof hacked") == "undefined"
    assert watched.complaints == []


# --- two tabs, two versions ------------------------------------------------------------------------------------


def test_two_tabs_lose_nothing_of_each_other(known, watched):
    folder = known()
    page = watched.open(folder)
    other = Watched(watched.page.context)
    try:
        there = other.open(folder)
        page.bring_to_front()
        add(page, "Nell")
        wait_until(there, "desk.sheet.length === 1")
        assert "Another tab" in text(there, "said")
        there.bring_to_front()
        add(there, "Ann")
        wait_until(page, "desk.sheet.length === 2")
        # One that missed what the other wrote takes it in before it writes.
        there.evaluate(
            "() => { const all = takeIn; takeIn = (text, quietly) => { if (quietly) all(text, quietly); }; }"
        )
        tool(page, "remove", "Nell").evaluate("(button) => button.click()")  # in the tab behind
        add(there, "Bo")
        wait_until(page, "desk.sheet.length === 2")
        assert sorted(names(page)) == sorted(names(there)) == ["Ann", "Bo"]
        page.keyboard.press("Control+z")  # what the other tab did
        page.keyboard.press("Control+z")  # the removal
        assert sorted(names(page)) == ["Ann", "Nell"]
        assert (watched.complaints, other.complaints) == ([], [])
    finally:
        other.page.close()


@pytest.fixture
def older_work(reviewed, known, watched):
    """A page whose file lacks Juno, where Perrin was renamed, Tamsin removed, Nell added; then the page with Juno."""
    result, folder = reviewed
    page = watched.open(known("older", marks=result.marks[1:]))
    tool(page, "change", "Perrin").click()
    page.locator("#who").fill("Pernelle")
    page.keyboard.press("Enter")
    tool(page, "remove", "Tamsin").click()
    add(page, "Nell")
    watched.leave = True
    return watched.open(folder)


def test_work_on_an_older_version_is_offered_and_not_mixed_in(older_work, watched):
    page = older_work
    assert names(page) == NAMES
    assert "is not in this one: 1 new (Nell), 1 changed (Pernelle), 1 removed (Tamsin)." in text(page, "drafts")
    kept = drafts(page)
    page.locator("#drafts button", has_text="Take it over").click()
    assert names(page) == ["Juno", "Odile", "Pernelle", "Nell"]
    assert text(page, "drafts") == ""
    page.keyboard.press("Control+z")
    assert names(page) == NAMES
    assert kept.items() <= drafts(page).items()
    assert "1 new (Nell)" in text(page, "drafts")
    page.keyboard.press("Control+Shift+z")
    watched.reload()
    assert names(page) == ["Juno", "Odile", "Pernelle", "Nell"]
    assert "another version" not in text(page, "drafts")
    assert watched.complaints == []


def test_older_work_can_be_deleted_and_brought_back(older_work, watched):
    page = older_work
    kept = drafts(page)
    page.locator("#drafts button", has_text="Delete it").click()
    assert not kept.items() & drafts(page).items()
    page.keyboard.press("Control+z")
    assert kept.items() <= drafts(page).items()
    page.keyboard.press("Control+y")
    watched.reload()
    assert text(page, "drafts") == ""
    assert names(page) == NAMES


def test_older_work_that_the_file_holds_by_now_is_not_offered(known, reviewed, watched):
    result, folder = reviewed
    page = watched.open(known("older", marks=result.marks[1:]))
    # Juno as she is in the file, to the digits that a marks file has.
    page.evaluate(
        "(mark) => commit('', { sheet: [...desk.sheet, entryOf('n1', mark)] })",
        {
            "who": "Juno",
            "start_s": result.marks[0][0].mark.start_s,
            "end_s": result.marks[0][0].mark.end_s,
            "azimuth_deg": float(np.degrees(result.marks[0][0].mark.azimuth_rad)) + 1e-4,
            "elevation_deg": float(np.degrees(result.marks[0][0].mark.elevation_rad)),
            "distance_m": result.marks[0][0].mark.distance_m,
        },
    )
    assert len(drafts(page)) == 1
    watched.leave = True
    page = watched.open(folder)
    assert text(page, "drafts") == ""
    assert drafts(page) == {}


def test_pages_of_another_clip_share_nothing(known, watched):
    page = watched.open(known("one"))
    add(page, "Nell")
    watched.leave = True
    page = watched.open(known("two", clip_glance="another file"))
    assert names(page) == []
    assert text(page, "drafts") == ""


# --- steps back and forth ------------------------------------------------------------------------------------


def many_steps(page):
    """One of each kind; what would be saved before and after each."""
    seen = [csv(page)]

    def done():
        assert csv(page) not in seen[-1:]
        seen.append(csv(page))

    add(page, "Nell")
    done()
    tool(page, "change", "Nell").click()  # changes: later, and how far away
    page.locator("#distance").fill("3")
    page.evaluate("jump(6)")
    page.locator("#out").click()
    page.locator("#marking button[type=submit]").click()
    done()
    tool(page, "change", "Nell").click()  # moves
    box = page.locator("#over").bounding_box()
    page.mouse.click(box["x"] + 0.7 * box["width"], box["y"] + 0.4 * box["height"])
    page.locator("#marking button[type=submit]").click()
    done()
    tool(page, "change", "Odile").click()  # renames a mark of the file
    page.locator("#who").fill("Odette")
    page.keyboard.press("Enter")
    done()
    for act, who in (("remove", "Nell"), ("remove", "Tamsin"), ("restore", "Tamsin"), ("revert", "Odette")):
        tool(page, act, who).click()
        done()
    return seen


STEPS = [
    "adding the mark of Nell", "changing the mark of Nell", "moving the mark of Nell", "renaming Odile to Odette",
    "removing the mark of Nell", "removing the mark of Tamsin", "bringing the mark of Tamsin back",
    "taking the mark of Odile back from the file",
]  # fmt: skip


@pytest.mark.parametrize("by", ["keys", "buttons"])
def test_everything_can_be_undone_and_done_again(reviewed, watched, by):
    page = watched.open(reviewed[1])
    seen = many_steps(page)
    assert seen[-1] == seen[0]
    page.locator("#over").focus()
    for before, name in zip(seen[-2::-1], STEPS[::-1], strict=True):
        assert page.locator("#undo").get_attribute("aria-label") == f"Undo {name}"
        if by == "keys":
            page.keyboard.press("Control+z")
        else:
            page.locator("#undo").press("Enter")
        assert csv(page) == before
        assert text(page, "said") == f"Undone: {name}."
    assert page.locator("#undo").get_attribute("aria-disabled") == "true"
    page.keyboard.press("Control+z")
    assert csv(page) == seen[0]
    for after in seen[1:]:
        if by == "keys":
            page.keyboard.press("Meta+Shift+z")
        else:
            page.locator("#redo").click()
        assert csv(page) == after
    assert page.locator("#redo").get_attribute("aria-disabled") == "true"
    assert watched.complaints == []


def test_a_new_step_ends_what_could_be_done_again(known, watched):
    page = watched.open(known())
    add(page, "Nell")
    page.keyboard.press("Control+z")
    add(page, "Ann")
    assert page.locator("#redo").get_attribute("aria-disabled") == "true"
    page.keyboard.press("Control+Shift+z")
    assert names(page) == ["Ann"]


def test_the_steps_of_the_open_mark_are_undone_one_by_one(known, watched):
    page = watched.open(known())
    mark_by_hand(page, "Nell", (160, 240), 2.0, 4.0, "2.5")
    place = page.evaluate("[desk.form.entry.azimuth_deg, desk.form.entry.elevation_deg]")
    page.locator("#over").focus()
    for _ in range(3):
        page.keyboard.press("ArrowLeft")
    assert page.evaluate("desk.form.entry.azimuth_deg") == pytest.approx(place[0] + 3.0)
    page.keyboard.press("Control+z")  # the three arrows in a row
    assert page.evaluate("desk.form.entry.azimuth_deg") == pytest.approx(place[0])
    page.keyboard.press("Control+z")
    assert page.evaluate("desk.form.entry.end_s") == 5.0
    page.locator("#distance").press("Control+z")
    assert page.locator("#distance").input_value() == ""
    page.keyboard.press("Control+z")
    assert page.locator("#who").input_value() == ""
    for _ in range(2):
        page.keyboard.press("Control+Shift+z")
    assert [page.locator(part).input_value() for part in ("#who", "#distance")] == ["Nell", "2.5"]
    # Back over the beginning the form closes, and comes back.
    for _ in range(3):
        page.keyboard.press("Control+z")
    assert not page.locator("#marking").is_visible()
    page.keyboard.press("Control+z")
    page.keyboard.press("Control+Shift+z")
    assert page.locator("#marking").is_visible()
    assert names(page) == []
    assert watched.complaints == []


# --- Escape, and the marks of the file -------------------------------------------------------------------------


def test_escape_cancels_a_change_and_keeps_what_was_kept(reviewed, watched):
    page = watched.open(reviewed[1])
    add(page, "Nell")
    before = csv(page)
    for who in ("Nell", "Odile"):
        tool(page, "change", who).click()
        page.locator("#who").fill("Somebody else")
        page.locator("#over").focus()
        page.keyboard.press("ArrowUp")
        page.keyboard.press("Escape")
        assert csv(page) == before
        assert not page.locator("#marking").is_visible()
        assert page.evaluate("document.activeElement.dataset.act") == "change"
        # What had been typed is not lost either.
        page.keyboard.press("Control+z")
        assert page.locator("#who").input_value() == "Somebody else"
        page.keyboard.press("Control+Shift+z")
        assert csv(page) == before
        assert not page.locator("#marking").is_visible()


def test_another_mark_is_opened_only_after_the_open_one_is_kept(known, watched):
    page = watched.open(known())
    add(page, "Nell")
    mark_by_hand(page, "Ann", (100, 200), 5.0, 3.0, "")  # ends before it starts
    tool(page, "change", "Nell").click()
    assert page.locator("#who").input_value() == "Ann"
    assert "Keep or cancel" in text(page, "said")
    page.evaluate("jump(7)")
    page.locator("#out").click()
    tool(page, "remove", "Nell").click()
    assert names(page) == ["Ann"]


def test_metres_that_are_none_are_not_dropped_without_a_word(known, watched):
    page = watched.open(known())
    mark_by_hand(page, "Nell", (100, 200), 2.0, 5.0, "")
    for typed, fault in (("abc", True), ("0", True), ("2,5 m", False), ("-2", True), ("", False)):
        page.locator("#distance").fill(typed)
        assert ("Write the metres as a number" in text(page, "answer")) == fault
        page.keyboard.press("Enter")
        assert page.locator("#marking").is_visible() == fault
        if not fault:
            tool(page, "change", "Nell").click()


def test_a_name_of_blanks_is_asked_for(known, watched):
    page = watched.open(known())
    mark_by_hand(page, "  ", (100, 200), 2.0, 5.0, "")
    page.locator("#marking button[type=submit]").click()
    assert text(page, "said") == "Type a name first."
    assert page.evaluate("document.activeElement.id") == "who"


def test_marks_of_the_file_are_mended_like_ones_own(reviewed, watched, tmp_path):
    result, folder = reviewed
    page = watched.open(folder)
    assert page.locator("#solved").inner_text() == ""
    tool(page, "change", "Odile").click()
    box = page.locator("#over").bounding_box()
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.5 * box["height"])
    page.locator("#marking button[type=submit]").click()
    tool(page, "remove", "Tamsin").click()
    assert "Tamsin is in the file and removed here." in page.locator("#marks li.removed").inner_text()
    # All marks that are left say how the microphone sat, not only those made here; her moment is Python's still.
    assert text(page, "solved").startswith("These 3 marks say")
    heard = result.marks[NAMES.index("Odile")][0].heard
    assert page.evaluate("page.marks[1].heard.vector") == pytest.approx(heard.vector.tolist())
    with page.expect_download() as waiting:
        page.locator("#save").click()
    waiting.value.save_as(tmp_path / "marks.csv")
    mended = {mark.who: mark for mark in read_marks(tmp_path / "marks.csv")}
    assert list(mended) == ["Juno", "Odile", "Perrin"]
    # A name that a spreadsheet would take for a formula is text to it (OWASP, "CSV Injection").
    lines = page.evaluate("['=1+1', '-2', 'a-b', \"'=x\"].map((who) => csvLine({ ...page.marks[0], who }))")
    assert [line.split(",")[0] for line in lines] == ["'=1+1", "'-2", "a-b", "''=x"]
    assert np.degrees(mended["Odile"].azimuth_rad) == pytest.approx(0.0, abs=0.5)
    tool(page, "restore", "Tamsin").click()
    tool(page, "revert", "Odile").click()
    assert csv(page) == page.evaluate("marksCsv(filed)")
    assert page.locator("#marks li.mine, #marks li.removed").count() == 0
    assert text(page, "solved") == ""


def test_save_says_what_is_new_changed_and_removed(reviewed, watched):
    page = watched.open(reviewed[1])
    add(page, "Nell")
    tool(page, "change", "Odile").click()
    page.locator("#distance").fill("4")
    page.keyboard.press("Enter")
    tool(page, "remove", "Tamsin").click()
    what = "Against the marks file: 1 new (Nell), 1 changed (Odile), 1 removed (Tamsin)."
    assert text(page, "changes") == f"{what} Not saved yet."
    assert page.locator("#save").get_attribute("aria-describedby") == "changes"
    with page.expect_download():
        page.locator("#save").click()
    said = text(page, "changes")
    assert said.startswith(f"{what} Saved at ")
    assert " as slipway.marks.csv, " in said
    watched.reload()
    assert watched.asked == 0
    assert text(page, "changes") == said
    tool(page, "remove", "Nell").click()
    assert text(page, "changes").endswith("Not saved yet.")


def test_a_sheet_without_marks_says_that_nothing_is_left_to_save(reviewed, watched):
    page = watched.open(reviewed[1])
    for who in NAMES:
        tool(page, "remove", who).click()
    assert page.locator("#save").is_disabled()
    assert "Nothing is left to save" in text(page, "changes")


# --- by keyboard alone, and read aloud ---------------------------------------------------------------------------


def test_marks_are_made_mended_and_removed_by_keyboard_alone(known, watched):
    page = watched.open(known())
    page.keyboard.press("m")
    page.keyboard.press("Shift+ArrowLeft")
    page.keyboard.press("Enter")
    page.keyboard.type("Nell")
    for _ in range(3):
        page.keyboard.press("Tab")  # metres, from, to
    assert page.evaluate("document.activeElement.id") == "out"
    for _ in range(6):
        page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    assert page.evaluate("desk.form.entry.end_s") == pytest.approx(6.0)
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "over"
    assert names(page) == ["Nell"]
    tool(page, "change", "Nell").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Control+a")
    page.keyboard.type("Ann")
    page.keyboard.press("Enter")
    assert page.evaluate("[document.activeElement.dataset.act, desk.sheet[0].who]") == ["change", "Ann"]
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert names(page) == []
    assert page.evaluate("document.activeElement.id") == "undo"
    page.keyboard.press("Enter")
    assert names(page) == ["Ann"]


def test_the_keyboard_is_not_lost_where_lists_are_made_anew(reviewed, watched):
    page = watched.open(reviewed[1])
    tool(page, "remove", "Odile").focus()
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.getAttribute('aria-label')") == "Bring back the mark of Odile"
    page.locator("#heads input").first.focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    assert page.evaluate("[document.activeElement.value, page.facing]") == ["back", "back"]


def test_what_is_read_aloud_is_read_once(known, watched):
    """Words that did not change are not put in again, and the running time is not read at all."""
    page = watched.open(known())
    mark_by_hand(page, "", (160, 240), 2.0, 5.0, "")
    page.evaluate(
        """() => { window.read = []; new MutationObserver((all) => read.push(...all.map((one) => one.target.id)))
          .observe(document.body, { subtree: true, childList: true }); }"""
    )
    page.locator("#who").fill("N")
    settle(page)
    live = page.evaluate("Array.from(document.querySelectorAll('[role=status], output'), (node) => node.id)")
    assert {"answer", "solved", "said", "changes", "seen"} <= set(live)
    assert set(page.evaluate("read")) & set(live) <= {"time"}
    assert page.locator("#time").get_attribute("aria-live") == "off"


def test_everything_that_can_be_pressed_has_a_name(reviewed, watched):
    page = watched.open(reviewed[1])
    add(page, "Nell")
    tool(page, "change", "Odile").click()
    tree = page.locator("body").aria_snapshot()
    assert "- button\n" not in tree
    assert "textbox\n" not in tree
    for wanted in ('button "Undo changing the mark of Odile"', 'form "The mark that is open"', 'textbox "Who"',
                   'button "From here: the mark starts at this moment"', 'button "Remove the mark of Nell"',
                   'application "Where sound comes from', 'slider "Time"'):  # fmt: skip
        assert wanted in tree, wanted


def test_on_a_phone_all_of_it_can_be_touched(reviewed, watched):
    watched.page.set_viewport_size({"width": 390, "height": 844})
    page = watched.open(reviewed[1])
    tool(page, "remove", "Tamsin").click()
    add(page, "Somebody with a name of many letters, far too many to stand beside two buttons")
    tool(page, "change", "Odile").click()
    page.locator("#who").fill("Odette")
    tool(page, "change", "Juno").click()
    for button in page.locator("#marks button:visible, #drafts button:visible").all():
        # WCAG 2.2, target size (minimum): 24 px (value from memory).
        assert min(button.bounding_box()["height"], button.bounding_box()["width"]) >= 24, button.inner_text()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    # Names stay clear of the buttons beside them.
    assert page.evaluate(
        """Array.from(document.querySelectorAll("#marks li:has(.tools)")).every((item) => {
          const [who, tools, below] = [".who", ".tools", ".heard, .text"].map((part) =>
            item.querySelector(part).getBoundingClientRect());
          return who.right < tools.left && tools.bottom <= below.top + 1;
        })"""
    )


# --- the small rules behind it ---------------------------------------------------------------------------------


JOINS = [
    ("aA bB", "aA bB cC", "aA bB cC"),  # they add
    ("aA bB cC", "aA bB", "aA bB cC"),  # I add
    ("aA", "aA bB dD", "aA dD"),  # I remove, they add
    ("aX bB", "aA bY", "aX bY"),  # each changes one
    ("aX bB", "aY bB", "aX bB"),  # both change one: mine
    ("aX bB", "bB", "bB aX"),  # I change what they remove
    ("bB", "aY bB", "aY bB"),  # they change what I remove
    ("aA bB", "bB", "bB"),  # they remove what I left alone
]


def test_two_sheets_are_joined_without_a_loss(known, watched):
    page = watched.open(known())
    told = page.evaluate(
        """(cases) => {
          const sheet = (text) => text.split(" ").map(([id, who]) => entryOf(id,
            { who, start_s: 0, end_s: 1, azimuth_deg: 0, elevation_deg: 0, distance_m: null }));
          return cases.map(([mine, theirs]) =>
            joined(...["aA bB", mine, theirs].map(sheet)).map(({ id, who }) => id + who).join(" "));
        }""",
        JOINS,
    )
    assert told == [joined for *_, joined in JOINS]


# --- moments that are still to be marked -------------------------------------------------------------------------


def test_moments_to_mark_are_listed_and_name_the_mark_that_is_made_in_them(known, watched):
    moments = (OpenMark("lav-anna", 2.0, 5.0), OpenMark(HOSTILE, 8.0, 10.0))
    page = watched.open(known(moments=moments))
    assert page.locator("#moments .who").all_inner_texts() == ["lav-anna", HOSTILE]
    page.locator("#moments button").first.click()
    settle(page)
    assert page.evaluate("page.time") == pytest.approx(2.0, abs=0.1)
    page.locator("#over").scroll_into_view_if_needed()
    box = page.locator("#over").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 3, box["y"] + box["height"] / 2)
    assert page.locator("#who").input_value() == "lav-anna"
    page.locator("#marking button[type=submit]").click()
    (line,) = csv(page).splitlines()[1:]
    assert line.startswith("lav-anna,2,5,")
    # It has its mark: the other one is left.
    assert page.locator("#moments .who").all_inner_texts() == [HOSTILE]
    page.keyboard.press("Control+z")
    assert page.locator("#moments .who").count() == 2
    assert watched.complaints == []


def test_a_page_without_moments_shows_no_list_of_them(known, watched):
    page = watched.open(known())
    assert page.locator("#moments").is_hidden()
