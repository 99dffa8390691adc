"""The questions that a report answers, each as one SQL query over the Parquet tables.

The views `notes`, `findings`, `slots`, `unread`, `queries` and `rejects` are those of the archive;
`omitted` says whether a slot counts as an omission. Slots are counted per note: two notes with one id stay
two notes.
"""

from __future__ import annotations

from dataclasses import dataclass

# States of a slot that are omissions: nobody said a result. A slot that the clinician called not examined, or
# recorded without its side, is shown apart.
OMITTED = "CASE WHEN state IN ('missing', 'asked_no_result') THEN 1.0 ELSE 0.0 END"

_STATE_COUNTS = f"""
    count(*) AS notes,
    count(*) FILTER (state = 'recorded') AS recorded,
    count(*) FILTER (state = 'recorded_by_summary') AS by_summary,
    count(*) FILTER (state = 'not_examined') AS not_examined,
    count(*) FILTER (state = 'side_unstated') AS side_unstated,
    count(*) FILTER (state = 'asked_no_result') AS asked_no_result,
    count(*) FILTER (state = 'missing') AS missing,
    avg({OMITTED}) AS omission_rate
"""


@dataclass(frozen=True, slots=True)
class Question:
    """One table of the report: its name, heading, one sentence for the reader, and the query."""

    name: str
    title: str
    about: str
    sql: str


QUESTIONS = (
    Question(
        "notes_over_time",
        "Notes over time",
        "Notes by month of their date; notes without a readable date are counted under 'no date'.",
        """SELECT coalesce(strftime(date, '%Y-%m'), 'no date') AS month, count(*) AS notes,
                  sum(findings)::BIGINT AS findings, avg(findings) AS findings_a_note
           FROM notes GROUP BY 1 ORDER BY 1""",
    ),
    Question(
        "findings_by_item",
        "Findings by item and side",
        "How often each item was recorded, by side. 'unstated' are findings whose side was not said.",
        """SELECT item, site, count(*) AS findings,
                  count(*) FILTER (side = 'right') AS "right", count(*) FILTER (side = 'left') AS "left",
                  count(*) FILTER (side = 'both') AS "both", count(*) FILTER (side = 'none') AS "none",
                  count(*) FILTER (side = 'unstated') AS unstated,
                  count(*) FILTER (status = 'abnormal') AS abnormal,
                  count(*) FILTER (status = 'equivocal') AS equivocal,
                  count(*) FILTER (status = 'not_examined') AS not_examined
           FROM findings GROUP BY 1, 2 ORDER BY findings DESC, 1, 2""",
    ),
    Question(
        "omissions_by_slot",
        "Omissions by slot",
        "Of the notes in which a slot was required: the share in which no result was said (missing, or asked "
        "without a result). The plot shows the core screen, the table also the pieces for complaints.",
        f"SELECT item, site, side, required_by, {_STATE_COUNTS} "
        "FROM slots GROUP BY 1, 2, 3, 4 "
        "ORDER BY required_by <> 'core_screen', omission_rate DESC, notes DESC, 1, 2, 3",
    ),
    Question(
        "omissions_by_clinician",
        "Omissions by clinician",
        "Mean over the notes of the share of required slots without a result, with a 95 % interval (normal "
        "approximation over notes). Patients, settings and habits of dictation differ: a rate is a reason to "
        "look, not a judgement.",
        f"""WITH each_note AS (
             SELECT position, count(*) AS required, avg({OMITTED}) AS rate FROM slots GROUP BY position),
           each_clinician AS (
             SELECT coalesce(n.clinician, 'not given') AS clinician, count(*) AS notes,
                    sum(required) AS required, avg(rate) AS omission_rate,
                    1.96 * coalesce(stddev_samp(rate), 0) / sqrt(count(*)) AS half
             FROM each_note e JOIN notes n ON e.position = n.position GROUP BY 1)
           SELECT clinician, notes, required::BIGINT AS required, omission_rate,
                  greatest(omission_rate - half, 0) AS low, least(omission_rate + half, 1) AS high
           FROM each_clinician ORDER BY omission_rate DESC, clinician""",
    ),
    Question(
        "unread_by_month",
        "Unread text",
        "Share of the words of each month's notes that became no finding, command or context.",
        """SELECT coalesce(strftime(date, '%Y-%m'), 'no date') AS month, sum(words)::BIGINT AS words,
                  sum(unread_words)::BIGINT AS unread_words,
                  coalesce(sum(unread_words) / nullif(sum(words), 0), 0) AS unread_rate
           FROM notes GROUP BY 1 ORDER BY 1""",
    ),
    Question(
        "unread_phrases",
        "Unread phrases",
        "The commonest unread pieces, a guide for new vocabulary.",
        """SELECT lower(trim(text)) AS phrase, count(*) AS times, count(DISTINCT position) AS notes
           FROM unread GROUP BY 1 HAVING count(*) > 1 ORDER BY times DESC, phrase LIMIT 100""",
    ),
    Question(
        "queries_by_kind",
        "Queries by kind",
        "Questions to the clinician that the check raised.",
        "SELECT kind, count(*) AS queries, count(DISTINCT position) AS notes FROM queries GROUP BY 1 ORDER "
        "BY 2 DESC, 1",
    ),
    Question(
        "rejects_by_reason",
        "Rejected notes",
        "Records that could not be read; rejects.csv names each of them.",
        "SELECT reason, count(*) AS notes FROM rejects GROUP BY 1 ORDER BY 2 DESC, 1",
    ),
)
