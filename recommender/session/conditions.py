"""Pulls of one job under different conditions: another altitude, another season, weeks between."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from models.settings import Settings
from recommender.decide.step import same
from recommender.logs.conditions import BAROMETER_GAP_KPA, INTAKE_GAP_C
from recommender.logs.options import Conditions
from recommender.record.trials import PullEntry
from recommender.session.pull_log import conditions_in

#: A job left for longer than this is worth a known pull first. [days]
MOST_DAYS: Final = 21


def taken_up_late(known: Sequence[PullEntry], now: datetime.datetime) -> str:
    """A sentence where weeks lie between the last pull and now; empty where not.

    Args:
        known: Pulls that stand, in order.
        now: When the next one is brought.
    """
    days = _days(known[-1].added, now) if known else 0
    if days <= MOST_DAYS:
        return ""
    return (
        f"{days // 7} weeks lie between this pull and the one before: fuel, parts and gauge may have changed. "
        "Repeat the baseline or a known pull before relying on the earlier ones."
    )


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
    then, now = conditions_in(before), conditions_in(last)
    found = [*_barometer(then, now), *_intake(then, now)]
    days = _days(before.added, last.added)
    if days > MOST_DAYS:
        found.append(f"{days // 7} weeks later")
    return ", ".join(found)


def _barometer(then: Conditions, now: Conditions) -> list[str]:
    first, second = then.known_barometer_kpa, now.known_barometer_kpa
    if first is None or second is None or abs(second - first) <= BAROMETER_GAP_KPA:
        return []
    return [f"barometer {second:.1f} kPa after {first:.1f}"]


def _intake(then: Conditions, now: Conditions) -> list[str]:
    if then.intake_c is None or now.intake_c is None or abs(now.intake_c - then.intake_c) <= INTAKE_GAP_C:
        return []
    return [f"intake air {now.intake_c:.0f} °C after {then.intake_c:.0f}"]


def _days(first: datetime.datetime | None, second: datetime.datetime | None) -> int:
    if first is None or second is None or (first.tzinfo is None) != (second.tzinfo is None):
        return 0
    return (second - first).days


def _among(settings: Settings, others: Sequence[Settings]) -> bool:
    return any(same(_bare(settings), _bare(other)) for other in others)


def _bare(settings: Settings) -> Settings:
    """Settings without the ends of a ramp that adds nothing."""
    return settings if settings.ramp_add else replace(settings, ramp_from=0.0, ramp_to=1.0)
