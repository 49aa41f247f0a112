"""A schedule with some of its charges or editions changed, for trying what an error would print."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from itertools import product
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sewer_audit.charges.schedule.facts import InvoiceFacts
    from sewer_audit.charges.schedule.versions import Schedule, Version

Change = tuple[str, str, "Schedule", "InvoiceFacts"]
"""Class, words, and what the invoice would be priced by and from."""
Update = Mapping[str, Any] | Callable[[Any], Any]
Slip = tuple[str, str, Callable[[Any], bool], Update]
"""Class, words, which charges it meets, and their new keys, or what stands in their place."""


def with_editions(schedule: Schedule, change: Callable[[Version], Mapping[str, Any]]) -> Schedule:
    """A copy with the keys of every edition changed."""
    editions = tuple(each.model_copy(update={**change(each)}) for each in schedule.version)
    return schedule.model_copy(update={"version": editions})


def with_charges(
    schedule: Schedule, meets: Callable[[Any], bool], update: Update
) -> Schedule | None:
    """A copy with the charges of a sort changed; None if there is none."""
    if not any(meets(charge) for version in schedule.version for charge in version.charge):
        return None

    def new(charge: Any) -> Any:
        keys = update(charge) if callable(update) else update
        return charge.model_copy(update={**keys}) if isinstance(keys, Mapping) else keys

    return with_editions(
        schedule,
        lambda version: {"charge": tuple(new(c) if meets(c) else c for c in version.charge)},
    )


def changed(schedule: Schedule, facts: InvoiceFacts, slips: Iterator[Slip]) -> Iterator[Change]:
    """What the invoice would be priced by under each slip that meets a charge."""
    for code, what, meets, update in slips:
        other = with_charges(schedule, meets, update)
        if other is not None:
            yield code, what, other, facts


_MOST_LINES = 6
"""Lines of which every choice is tried as the base of a tax; of more only one left out or added."""


def choices(lines: tuple[str, ...], stated: set[str]) -> Iterator[tuple[str, ...]]:
    """Lines a share may have been taken on, those nearest to the stated ones first."""
    if len(lines) <= _MOST_LINES:
        every = [
            tuple(line for line, kept in zip(lines, choice, strict=True) if kept)
            for choice in product((True, False), repeat=len(lines))
        ]
    else:
        near = [stated ^ {line} for line in lines] + [{line} for line in lines] + [set(lines)]
        every = [tuple(line for line in lines if line in chosen) for chosen in near]
    apart = {base: len(stated ^ set(base)) for base in every if base and set(base) != stated}
    yield from sorted(apart, key=lambda base: apart[base])
