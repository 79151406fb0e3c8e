"""The monitor's alarms and notes of the period, and what became of them."""

from __future__ import annotations

import pandas as pd

from ventbook.document import wording
from ventbook.document.sequence import Blocks
from ventbook.reports.alarms import NOTE, STANDS, STATE_WORDS, Alarm, count_words, list_alarms
from ventbook.reports.page import Page, section


@section
def period_alarms(page: Page) -> Blocks:
    """Alarms and notes that were raised in the period, and those from before it that stand."""
    period = page.period
    known = [alarm for alarm in list_alarms(page) if alarm.raised < period.end]
    new = [alarm for alarm in known if alarm.raised >= period.start]
    old = [alarm for alarm in known if alarm.raised < period.start and alarm.state == STANDS]
    if not new and not old:
        return page.text(f"The monitor raised nothing in {period.label}, and nothing from before stands.")
    sentence = f"Raised in {period.label}: {count_words(new)}. Standing from before: {count_words(old)}."
    table = pd.DataFrame([_tell(alarm) for alarm in [*new, *old]])
    return page.text(sentence) + page.add_table(
        "period_alarms",
        table,
        title=f"Alarms and notes between the reviews, {period.label}",
        columns=["what", "stream", "raised", "observed_words", "expected_ventings", "state", "reason_closed", "firm"],
        note=f"As the records stand on {page.today.isoformat()}, over all sites. An alarm counts among the quarter's statements once it is "
        "firm; until then it is held to the monitor's own promise for a year, and a note to its own. What was withdrawn since, and what "
        "comes next, stands on the monitor's page.",
    )  # fmt: skip


def _tell(alarm: Alarm) -> dict[str, object]:
    return {
        "what": alarm.what,
        "stream": wording.clean_text(alarm.name),
        "raised": f"{wording.clean_text(alarm.raised_by)}, {alarm.raised.isoformat()}",
        "observed_words": wording.of_total(len(alarm.failing), len(alarm.ventings)),
        "expected_ventings": alarm.expected,
        "state": STATE_WORDS[alarm.state],
        "reason_closed": f"{alarm.closed}: {alarm.reason}" if alarm.closed else "",
        "firm": "" if alarm.what == NOTE else "yes" if alarm.firm else "not yet",
    }
