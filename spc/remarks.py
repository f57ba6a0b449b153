"""Kinds of remarks on a run, told by how they begin, so that no sentence is parsed anywhere."""

from collections.abc import Iterable

#: How a remark begins that somebody has to answer; a page lists these as open.
QUESTION = "question: "
#: A question on what a whole column means: until it is answered no number of it bears an act.
MEANING = f"{QUESTION}meaning in doubt: "


def meaning_in_doubt(remarks: Iterable[str]) -> str:
    """
    The first doubt about what a column means, without its beginning; empty when there is none.

    Examples
    --------
    >>> meaning_in_doubt(["question: row 3 is far off", f"{MEANING}are A and B mixed up?"])
    'are A and B mixed up?'
    """
    return next((r.removeprefix(MEANING) for r in remarks if r.startswith(MEANING)), "")
