"""Every report on records of a shop that entered no limits: described, not judged, and it says so."""

import re
import shutil

import pytest

from run_pages import REPORTS, run_page


@pytest.fixture(scope="module")
def bare(demo_store, tmp_path_factory):
    """The demo's store away from its manual; its traces were read under the manual's bands."""
    folder = tmp_path_factory.mktemp("bare") / "store"
    shutil.copytree(demo_store, folder)
    return folder


ALWAYS = ("conformity", "quarterly-review", "spongy-lifters")


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=() if name in ALWAYS else pytest.mark.long) for name in REPORTS]
)
def test_a_report_without_a_manual_ends_well_and_says_what_it_is_held_against(name, bare, tmp_path):
    page = run_page(name, bare, tmp_path)
    assert not re.search(r"\b(nan|inf)\b|\bNone\b(?! was)", page.text)
    assert not re.search(r"DM-1(?! revision [23]\) than those)", re.sub(r"revisions: [^)]*\)", "", page.text))
    cautions = " ".join(page.page.cautions())
    assert "Some limits used here are placeholders" in cautions
    if "start_features" in page.page.records:
        assert "Read under other limits (revisions: DM-1 revision 2, DM-1 revision 3)" in cautions
    assert all(f["verdict"] is None for f in page.findings if "off_procedure" in f["id"])


def test_conformity_without_a_manual_judges_three_steps_and_describes_the_rest(bare, tmp_path):
    page = run_page("conformity", bare, tmp_path)
    rows = page.page.frame("conformity_by_step").set_index("step")
    judged = rows.index[rows["judged"] > 0]
    assert set(judged) == {"pressure_threshold", "time_to_pressure", "gap_at_last_check"}
    rest = rows.drop(index=judged)
    assert (rest["against"] == "no limit entered").all() and (rest["judged"] == 0).all()
    assert (rest["readings"] != "").all()
    assert "no limit entered" in page.text and "Facts that need no limit" in page.text
