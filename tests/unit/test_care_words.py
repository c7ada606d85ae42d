"""What is due, in the sentence that page and command begin with."""

from __future__ import annotations

import pytest

from monitor.care_words import due_sentence


def task(title: str, due: str | None = None, *, is_due: bool = False) -> dict[str, object]:
    return {"kind": title, "title": title, "is_due": is_due, "due": due}


def said(*tasks: dict[str, object]) -> str:
    return due_sentence(tasks, lambda day: f"<{day}>")


WATER = task("Look at the water", is_due=True)
GLASS = task("Look at the glass", is_due=True)
LATER = task("Test the capacity", "2027-03-01")


@pytest.mark.parametrize(
    ("tasks", "words"),
    [
        ((WATER, LATER), "Due now: look at the water."),
        ((WATER, GLASS), "Due now: look at the water; then look at the glass."),
        ((WATER, GLASS, WATER), "Due now: look at the water, and 2 more."),
        ((LATER, task("Read the cells")), "Nothing is due now. Next: test the capacity, by <2027-03-01>."),
        ((task("Read the cells"),), "When care is due is not known yet: write down what was done last."),
        ((), "When care is due is not known yet: write down what was done last."),
    ],
)
def test_it_names_what_is_due_or_what_comes_next_or_that_nobody_knows(
    tasks: tuple[dict[str, object], ...], words: str
) -> None:
    assert said(*tasks) == words
