"""Pulls of one job under different conditions: another altitude, another season, weeks between."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from models.settings import Settings
from recommender.decide.other_conditions import apart
from recommender.decide.step import same
from recommender.logs.options import Conditions
from recommender.record.stored import number_in
from recommender.record.trials import PullEntry

#: A job left for longer than this is worth a known pull first. [days]
MOST_DAYS: Final = 21

_ADVICE: Final = (
    "fuel, parts and gauge may have changed. Repeat the baseline or a known pull before relying on the earlier ones."
)


def conditions_in(pull: PullEntry) -> Conditions:
    """Conditions of a pull on record."""
    stored = pull.facts["conditions"]
    return Conditions(
        barometer_kpa=number_in(stored.get("barometer_kpa")),
        barometer_from=str(stored.get("barometer_from", "")),
        intake_c=stored.get("intake_c"),
        coolant_c=stored.get("coolant_c"),
    )


def day_of(pull: PullEntry) -> datetime.date | None:
    """Day on which a pull on record was run: by its log's own clock, else when it was added; None where neither is."""
    written = pull.facts.get("day")
    if written:
        return datetime.date.fromisoformat(written)
    return None if pull.added is None else pull.added.date()


def log_of_another_time(known: Sequence[PullEntry], day: datetime.date | None, now: datetime.datetime) -> str:
    """A sentence on a log made weeks after the last pull on record, or before it; empty where neither.

    Args:
        known: Pulls that stand, in order.
        day: On which the log was written by its own clock; None where that is not known: then today counts.
        now: When it is brought.
    """
    before = day_of(known[-1]) if known else None
    if before is None:
        return ""
    days = ((day or now.date()) - before).days
    if days < -1 and day is not None:
        return (
            f"by its own clock this log is of {day.isoformat()}, {_span(-days)} before pull {known[-1].number}: "
            "an older log, or a logger whose clock is not set. Make sure that it is the right one."
        )
    if days <= MOST_DAYS:
        return ""
    return f"{_span(days)} lie between this pull and the one before: {_ADVICE}"


def long_ago(known: Sequence[PullEntry], now: datetime.datetime) -> str:
    """A sentence where a job is taken up weeks after its last pull, before another one is run; empty where it is not.

    Args:
        known: Pulls that stand, in order.
        now: When it is taken up.
    """
    days = _days(day_of(known[-1]), now.date()) if known else 0
    if days <= MOST_DAYS:
        return ""
    written, added = known[-1].facts.get("day"), known[-1].added
    own_clock = written and (added is None or _days(added.date(), now.date()) <= MOST_DAYS)
    clock = f" ({written} by its log's own clock)" if own_clock else ""
    return f"{_span(days)} lie between pull {known[-1].number}{clock} and today: {_ADVICE}"


def notes(pulls: Sequence[PullEntry]) -> tuple[str, ...]:
    """What a step rests on that was run under other conditions than the last pull; nothing once a known pull was
    repeated under the new ones.

    Args:
        pulls: Pulls that the step was made from, in order.
    """
    if len(pulls) < 2:
        return ()
    last = pulls[-1]
    unlike = [(pull, _difference(pull, last)) for pull in pulls[:-1]]
    others = [(pull, words) for pull, words in unlike if words]
    alike = [pull.settings for pull, words in unlike if not words] + [last.settings]
    if not others or any(_among(pull.settings, alike) for pull, _ in others):
        return ()
    pull, words = others[-1]
    return (
        f"Pull {last.number} was run under other conditions than pull {pull.number}: {words}. Repeat the baseline or a "
        "known pull first, to see how far the earlier pulls still hold.",
    )


def _difference(before: PullEntry, last: PullEntry) -> str:
    """What differs between the conditions of two pulls, in words; empty where nothing much does."""
    found = apart(before.observation(), last.observation())
    days = _days(day_of(before), day_of(last))
    if days > MOST_DAYS:
        found.append(f"{_span(days)} later")
    return ", ".join(found)


def _days(first: datetime.date | None, second: datetime.date | None) -> int:
    return 0 if first is None or second is None else (second - first).days


def _span(days: int) -> str:
    """A stretch of time in words: days up to two weeks, weeks from there on."""
    return f"{days} days" if days < 14 else f"{days // 7} weeks"


def _among(settings: Settings, others: Sequence[Settings]) -> bool:
    return any(same(_bare(settings), _bare(other)) for other in others)


def _bare(settings: Settings) -> Settings:
    """Settings without the ends of a ramp that adds nothing."""
    return settings if settings.ramp_add else replace(settings, ramp_from=0.0, ramp_to=1.0)
