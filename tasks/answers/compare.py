"""A device against another one: the sentence that a verdict allows, with its count."""

from __future__ import annotations

import statistics
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Final

from tasks.answers.facts import find_pair_levels, list_by_surroundings
from tasks.answers.sentence import Sentence, Strength, Use, begin, of, tally_pairs
from tasks.core.wording import count

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from tasks.answers.facts import DeviceFacts, Facts, Metric, Pair
    from tasks.answers.phrases import Phrase
    from tasks.answers.sentence import Pen

_SHOWN: Final = {"better": True, "worse": False}
_LEANS: Final = {"leans better": True, "leans worse": False}
#: Fewer workouts that all say the same are listed one by one on their pages, not as a count.
_FEWEST_ALL_ALIKE: Final = 3
#: A share that means failed [%].
_FAILED: Final = 100.0
#: So many of them must say it where the others are ties.
_FEWEST_SAYING: Final = 2
#: A split by place that was seen afterwards is reported up to this p of its exact test.
_SPLIT_P: Final = 0.05


def compare(
    facts: Facts, device: DeviceFacts, other: DeviceFacts, phrase: Phrase, *, pen: Pen
) -> Sentence | None:
    """Return what may be said of one metric of two devices, None where they share no workout."""
    metric = facts.metrics.get(phrase.metric)
    pairs = facts.find_pairs(device.device_id, other.device_id, phrase.metric, phrase.segment)
    if metric is None or not pairs:
        return None
    said = _Said(facts, device, other, phrase, metric, pen, pairs)
    row = facts.find_verdict(device.device_id, other.device_id, phrase.metric, phrase.segment)
    word = row["verdict"] if row else "too few"
    if word in _SHOWN:
        return said.write_shown(row or {}, better=_SHOWN[word])
    if word == "alike":
        return said.write_alike(row or {})
    split = said.write_split()
    if split is not None:
        return split
    if word in _LEANS:
        return said.write_count(row, better=_LEANS[word], strength="leans")
    return said.write_unsettled(row, word)


class _Said:
    """The sentences that one comparison can become."""

    def __init__(
        self,
        facts: Facts,
        device: DeviceFacts,
        other: DeviceFacts,
        phrase: Phrase,
        metric: Metric,
        pen: Pen,
        pairs: Sequence[Pair],
    ) -> None:
        self.facts, self.device, self.other, self.phrase = facts, device, other, phrase
        self.metric, self.pen, self.pairs = metric, pen, pairs

    def write_shown(self, row: Mapping[str, Any], *, better: bool) -> Sentence:
        """Tell a difference that holds beyond these workouts."""
        tally = tally_pairs(self.pairs, better=better)
        return self._make(
            "write",
            f"{begin(self._clause(better=better))}: {self._levels(self.pairs)}, in "
            f"{of(tally.count(1.0), len(tally))} workouts.",
            evidence=self._describe(row),
            strength="shown",
            tally=tally,
        )

    def write_alike(self, row: Mapping[str, Any]) -> Sentence:
        """Tell a difference that is shown not to matter."""
        margin = row["margin"]
        within = self._list_within()
        return self._make(
            "write",
            f"{begin(self.phrase.alike.format(other=self.other.name))}, within "
            f"{self.pen.difference(margin, self.metric)}.",
            evidence=f"Within the margin in {of(within.count(1.0), len(within))} workouts. "
            f"{self._describe(row)}",
            strength="alike",
            tally=within,
        )

    def write_split(self) -> Sentence | None:
        """Tell places one by one where they say different things."""
        row = self._find_verdict(family="place")
        if row is None or row["p_value"] is None or row["p_value"] > _SPLIT_P:
            return None
        places = [
            (name, there) for name, there in list_by_surroundings(self.pairs) if len(there) > 1
        ]
        if len(places) < 2:  # noqa: PLR2004 - nothing to tell apart
            return None
        parts: list[str] = []
        tallies: list[float] = []
        for name, there in places:
            better = self._is_mostly_better(there)
            tally = tally_pairs(there, better=better)
            clause = self._clause(better=better, short=bool(parts))
            parts.append(
                f"{name} {clause} in {of(tally.count(1.0), len(tally))}: {self._levels(there)}"
            )
            tallies.extend(tally)
        is_shown = row["verdict"] in _SHOWN
        joined = " ".join(f"{begin(part)}." for part in parts)
        each = ", ".join(f"{name} {self._find_word(name)}" for name, _ in places)
        seen = "that place matters is shown" if is_shown else "the split was seen afterwards"
        sentence = self._make(
            "write" if is_shown else "count",
            f"Place matters. {joined}" if is_shown else joined,
            evidence=f"Medians; {seen}; exact p {row['p_value']:.3f} of this metric alone. Each "
            f"place by itself: {each}.",
            strength="shown" if is_shown else "few",
            tally=tuple(tallies),
            boost=0.5,
        )
        return replace(sentence, is_split=True)

    def _find_word(self, place: str) -> str:
        """Return the word of one place by itself."""
        row = self._find_verdict(place=place)
        return str(row["verdict"]) if row else "too few"

    def _find_verdict(self, **which: str) -> Mapping[str, Any] | None:
        return self.facts.find_verdict(
            self.device.device_id,
            self.other.device_id,
            self.phrase.metric,
            self.phrase.segment,
            **which,
        )

    def write_count(
        self, row: Mapping[str, Any] | None, *, better: bool, strength: Strength
    ) -> Sentence:
        """Tell what is true of these workouts, and no promise for the next."""
        tally = tally_pairs(self.pairs, better=better)
        return self._make(
            "count",
            f"{begin(self._clause(better=better))} in {_count(tally)}: {self._levels(self.pairs)}.",
            evidence=self._describe(row),
            strength=strength,
            tally=tally,
        )

    def write_unsettled(self, row: Mapping[str, Any] | None, word: str) -> Sentence:
        """Tell an open question; where every workout says the same, that with its count."""
        better = self._is_mostly_better(self.pairs)
        tally = tally_pairs(self.pairs, better=better)
        strength: Strength = "few" if word == "too few" else "open"
        says_all = (
            tally.count(0.0) == 0
            and tally.count(1.0) >= _FEWEST_SAYING
            and len(tally) >= _FEWEST_ALL_ALIKE
        )
        if says_all and self._is_beyond_margin():
            return self.write_count(row, better=better, strength=strength)
        if self._is_mostly_within():
            return self._write_within(row, strength)
        smaller = "better" if better else "worse"
        count = f"{smaller} in {of(tally.count(1.0), len(tally))}"
        return self._make(
            "open",
            f"{begin(self.phrase.whether.format(other=self.other.name))}: {count} so far.",
            evidence=self._describe(row),
            strength=strength,
            tally=tally,
        )

    def _write_within(self, row: Mapping[str, Any] | None, strength: Strength) -> Sentence:
        """Tell in how many workouts the two differed by less than the margin."""
        within = self._list_within()
        margin = self.pen.difference(self._margin, self.metric)
        return self._make(
            "count",
            f"{begin(self.phrase.subject)} of both differed by at most {margin} in "
            f"{of(within.count(1.0), len(within))} workouts.",
            evidence=self._describe(row),
            strength=strength,
            tally=within,
            boost=-0.65,
        )

    @property
    def _margin(self) -> float:
        return self.facts.margins.get(self.phrase.metric, 0.0)

    def _list_within(self) -> tuple[float, ...]:
        return tuple(float(abs(one.difference) <= self._margin) for one in self.pairs)

    def _is_mostly_within(self) -> bool:
        """Say whether all workouts but one are within the margin, of three and more."""
        within = self._list_within()
        return len(within) >= _FEWEST_ALL_ALIKE and within.count(0.0) <= 1 and self._margin > 0

    def _clause(self, *, better: bool, short: bool = False) -> str:
        words = self.phrase.better if better else self.phrase.worse
        text = words.format(other=self.other.name)
        return text.removesuffix(f" than {self.other.name}") if short else text

    def _levels(self, pairs: Sequence[Pair]) -> str:
        own, other = find_pair_levels(pairs, self.metric)
        failed = (
            sum(one.failed_own for one in pairs),
            sum(one.failed_other for one in pairs),
        )
        return " against ".join(
            self.pen.amount(level, self.metric)
            if level is not None
            else f"no usual value, failed in {of(n_failed, len(pairs))}"
            for level, n_failed in zip((own, other), failed, strict=True)
        )

    def _is_mostly_better(self, pairs: Sequence[Pair]) -> bool:
        tally = tally_pairs(pairs, better=True)
        return tally.count(1.0) >= tally.count(0.0)

    def _is_beyond_margin(self) -> bool:
        """Say whether the two usually differ by more than the margin where they differ at all."""
        differences = [abs(one.difference) for one in self.pairs if one.sign]
        return bool(differences) and statistics.median(differences) > self._margin

    def _describe(self, row: Mapping[str, Any] | None) -> str:
        return ". ".join(self._list_evidence(row)) + "."

    def _list_evidence(self, row: Mapping[str, Any] | None) -> Iterator[str]:
        n = len(self.pairs)
        failed = any(one.failed_own or one.failed_other for one in self.pairs)
        worst = ", a failure as worse than every value" if failed else ""
        yield f"{begin(self.metric.title)}, medians of {count(n, 'workout')}{worst}"
        if row is None:
            return
        if row["estimate"] is not None:
            estimate = self.pen.difference(row["estimate"], self.metric, signed=True)
            difference = f"Difference {estimate}"
            if row["ci_low"] is not None and row["ci_high"] is not None:
                low = self.pen.number(row["ci_low"], self.metric, signed=True)
                high = self.pen.number(row["ci_high"], self.metric, signed=True)
                difference += f" (95 %: {low} to {high})"
            yield difference
        if row["p_adjusted"] is not None and row["verdict"] != "alike":
            yield f"p {max(row['p_adjusted'], 0.001):.3f}, adjusted for all questions asked"
        if row["verdict"] in {"unclear", "too few"}:
            yield _format_needed(row)

    def _make(
        self,
        use: Use,
        text: str,
        *,
        evidence: str,
        strength: Strength,
        tally: tuple[float, ...],
        boost: float = 0.0,
    ) -> Sentence:
        weight = (2.0 if self.phrase.is_primary else self.phrase.weight) + boost
        return Sentence(
            self.phrase.domain,
            use,
            text,
            evidence=evidence,
            strength=strength,
            tally=tally,
            metric=self.phrase.metric,
            segment=self.phrase.segment,
            device_ids=(self.device.device_id, self.other.device_id),
            workouts=tuple(one.workout.workout_id for one in self.pairs),
            weight=weight,
        )


def _count(tally: tuple[float, ...]) -> str:
    """Return how many workouts say so, and in how many both were the same."""
    ties = tally.count(0.5)
    counted = of(tally.count(1.0), len(tally))
    return f"{counted}, the same in {ties}" if ties else counted


def _format_needed(row: Mapping[str, Any]) -> str:
    """Say how many workouts would settle a question, if the next are like these."""
    high = row.get("workouts_needed")
    if high is None:
        return "Not within reach by more of the same"
    low = row.get("workouts_needed_low")
    if low is None or low == high:
        return f"About {high} workouts would settle it, if the next are like these"
    return f"About {low} to {high} workouts would settle it, if the next are like these"


def compare_failures(
    facts: Facts, device: DeviceFacts, other: DeviceFacts, phrase: Phrase
) -> Sentence | None:
    """Say how often both failed, where it was measured of both; None where neither did."""
    pairs = facts.find_pairs(device.device_id, other.device_id, phrase.failure)
    own = tuple(float(one.own >= _FAILED) for one in pairs)
    others = tuple(float(one.other >= _FAILED) for one in pairs)
    if not sum(own) and not sum(others):
        return None
    row = facts.find_verdict(device.device_id, other.device_id, phrase.failure)
    is_shown = row is not None and row["verdict"] in _SHOWN
    n = len(pairs)
    p_value = f" p {row['p_adjusted']:.3f}, adjusted." if row is not None and is_shown else ""
    return Sentence(
        phrase.domain,
        "write" if is_shown else "count",
        f"It {phrase.failed} in {of(int(sum(own)), n)}; {other.name} in {of(int(sum(others)), n)}.",
        evidence=f"Workouts in which both were worn and measured.{p_value}",
        strength="shown" if is_shown else "few",
        tally=own,
        metric=phrase.failure,
        device_ids=(device.device_id, other.device_id),
        workouts=tuple(one.workout.workout_id for one in pairs),
        weight=3.0,
    )
