"""Everything on record at one moment, read off an Optuna study."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import optuna

from models.settings import Settings
from recommender.record import trials
from recommender.record.lock import RecordError
from recommender.record.stored import Stored
from recommender.record.trials import PullEntry


@dataclass(frozen=True)
class Snapshot:
    """Everything on record at one moment.

    Attributes:
        seed: Where all random numbers of the job come from.
        pulls: In the order in which they were run, withdrawn ones included.
        steps: Steps as stored, by number from 1.
        events: What else happened, in order.
        problems: Problems as stored, by digest.
        not_run: Numbers of the steps kept as proposals not run.
    """

    seed: int
    pulls: tuple[PullEntry, ...] = ()
    steps: Mapping[int, Stored] = field(default_factory=dict)
    events: tuple[Stored, ...] = ()
    problems: Mapping[str, Stored] = field(default_factory=dict)
    not_run: frozenset[int] = frozenset()

    @property
    def standing(self) -> tuple[PullEntry, ...]:
        """Pulls that were not withdrawn."""
        return tuple(pull for pull in self.pulls if pull.withdrawn is None)

    @property
    def refused(self) -> list[Stored]:
        """Entries of logs that were refused, in order."""
        return self._entries("pull refused")

    @property
    def acknowledged(self) -> list[Stored]:
        """Entries of stops that were acknowledged, in order."""
        return self._entries("acknowledged")

    def _entries(self, kind: str) -> list[Stored]:
        return [event for event in self.events if event["kind"] == kind]

    def pull(self, number: int) -> PullEntry:
        """A pull by its number.

        Raises:
            RecordError: there is none.
        """
        for each in self.pulls:
            if each.number == number:
                return each
        has = f"pulls 1 to {self.pulls[-1].number}" if self.pulls else "no pull yet"
        raise RecordError(f"no pull {number} on record: it has {has}.")


def snapshot_of(study: optuna.Study) -> Snapshot:
    """Everything in a study that a record was kept in."""
    return snapshot(
        study.user_attrs,
        study.get_trials(deepcopy=False),
        lambda trial, withdrawn: trials.entry_of(trial, withdrawn.get(int(trial.user_attrs["number"]))),
    )


def snapshot(
    attributes: Mapping[str, Any],
    found: Sequence[optuna.trial.FrozenTrial],
    entry: Callable[[optuna.trial.FrozenTrial, Mapping[int, str]], PullEntry],
) -> Snapshot:
    """A snapshot from what a study holds.

    Args:
        attributes: The study's user attributes.
        found: Its trials.
        entry: Makes the pull of a trial, given the reasons of withdrawal by number.
    """
    withdrawn = trials.withdrawn_in(attributes)
    named = {kind: numbered(attributes, kind) for kind in ("step", "event")}
    bare = [entry(each, withdrawn) for each in found if trials.is_pull(each)]
    pulls = [replace(each, proposed=_proposed(named["step"].get(each.step or 0))) for each in bare]
    return Snapshot(
        seed=int(attributes["seed"]),
        pulls=tuple(sorted(pulls, key=lambda pull: pull.number)),
        steps=named["step"],
        events=tuple(named["event"][number] for number in sorted(named["event"])),
        problems={name.partition(":")[2]: each for name, each in attributes.items() if name.startswith("problem:")},
        not_run=frozenset(
            int(each.user_attrs["step"]) for each in found if each.user_attrs.get("kind") == "proposal not run"
        ),
    )


def _proposed(step: Stored | None) -> Settings | None:
    """Settings that a step gave to run; None where there was none, or it gave none."""
    values = None if step is None else step["decision"]["settings"]
    return None if values is None else Settings.from_array(values)


def numbered(attributes: Mapping[str, Any], kind: str) -> dict[int, Stored]:
    """Attributes like ``step:00001``, by number, in order."""
    mark = f"{kind}:"
    return {int(name[len(mark) :]): value for name, value in sorted(attributes.items()) if name.startswith(mark)}
