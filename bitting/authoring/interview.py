"""Asking what is not known yet, one question at a time, with a default, a check at once, help and a way back.

The conversation is with two functions, so that it can be held on a terminal or by a test: `ask` shows a question with its
default and gives what was typed, `tell` shows a remark. `<` goes back to the question before, `?` explains, `-` leaves a
figure out. Each answer is handed to `keep`, so that a conversation broken off can be taken up again.
"""

from __future__ import annotations

from collections.abc import Callable

from bitting.authoring.draft import draft
from bitting.authoring.questions import LEAVE_OUT, Answers, Question
from bitting.errors import BittingError, SystemFileError

Ask = Callable[[str, str | None], str]
"""(question, default) -> what was typed, "" for the default."""

BACK, HELP = "<", "?"
INTRODUCTION = "Enter takes what stands in brackets, - leaves a figure out, < goes back, ? explains."


def interview(answers: Answers, ask: Ask, tell: Callable[[str], None], keep: Callable[[Answers], None]) -> Answers:
    """The answers with everything asked that wasn't said before."""
    before = set(answers.given)
    passed: list[str] = []
    was: dict[str, str] = {}  # what was answered where one went back
    tell(INTRODUCTION)
    while (question := _next(answers, before | set(passed))) is not None:
        default = was.get(question.key) or question.default(answers)
        typed = ask(question.text, default).strip()
        if typed == BACK:
            if passed:
                was[passed[-1]] = answers.given[passed[-1]]
                answers = answers.without(passed.pop())
            else:
                tell("this is the first question")
        elif typed == HELP:
            tell(question.help or "there is no more to say of this one")
        else:
            try:
                answers = _answered(answers, question, typed or default or "")
            except BittingError as fault:
                tell(fault.explain())
                was.pop(question.key, None)
            else:
                passed.append(question.key)
                keep(answers)
    return answers


def _next(answers: Answers, done: set[str]) -> Question | None:
    return next((question for question in answers.asked() if question.key not in done), None)


def _answered(answers: Answers, question: Question, text: str) -> Answers:
    """The answers with one more; where a whole file can be made of them, one that can be read."""
    found = answers.with_answer(question.key, text)
    if not found.missing() and text != LEAVE_OUT:
        try:
            draft(found, "")
        except SystemFileError as fault:
            lines = [line.removeprefix(": ") for line in fault.faults]
            raise BittingError("that can't be used: " + "; ".join(lines)) from None
    return found
