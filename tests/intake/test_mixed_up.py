"""Columns under each other's headers, and a sign turned round, are asked about before any act."""

import numpy as np
import pytest

from spc.plan import read_plan
from spc.study import examine


def plan_of(**limits):
    text = '[job]\npart = "Pin"\n'
    for name, (nominal, upper, lower) in limits.items():
        text += f'[[feature]]\nname = "{name}"\nnominal = {nominal}\nupper = {upper}\n'
        text += "" if lower is None else f"lower = {lower}\n"
    return read_plan(text.encode(), source="pin.toml")


SEATS = plan_of(seat=(25.0, 0.011, 0.002), neck=(25.02, 0.011, 0.002))
SEAT = plan_of(seat=(25.0, 0.011, 0.002))


def sizes(um, count=20, *, nominal=25.0, drift=0.1, seed=1):
    rng = np.random.default_rng(seed)
    return [nominal + (um + drift * i + rng.normal(0, 0.4)) / 1000 for i in range(count)]


def table(head, *columns, digits=4):
    rows = zip(*columns, strict=True)
    lines = (f"{i},{','.join(f'{v:.{digits}f}' for v in row)}\n" for i, row in enumerate(rows, 1))
    return f"part,{head}\n{''.join(lines)}"


def doubts(run):
    return [r for r in run.remarks if r.startswith("question: meaning in doubt: ")]


def assert_asks_before_any_act(run, plan, *words):
    (doubt,) = doubts(run)
    assert all(word in doubt for word in words)
    study = examine(run, plan)
    advice = study.advice
    assert (advice.action, advice.subject) == ("check", "entry")
    assert (advice.offset_um, advice.amount, advice.runner_up) == (None, None, None)
    assert advice.evidence == doubt.removeprefix("question: meaning in doubt: ")
    assert advice.parts_left is None
    assert study.prompts == ()


def test_columns_that_fit_the_limits_of_each_other_are_asked_about_before_any_act(read):
    seat, neck = sizes(6), sizes(5, nominal=25.02, seed=2)

    right = read(table("seat,neck", seat, neck), plan=SEATS)
    wrong = read(table("neck,seat", seat, neck), plan=SEATS)

    assert not doubts(right)
    assert examine(right, SEATS).advice.action != "check"
    assert_asks_before_any_act(wrong, SEATS, "mixed up", "20 of 20 readings of seat")
    assert len(wrong.measurements) == 40


def test_short_files_of_mixed_up_columns_are_told_together(read):
    seat, neck = sizes(6), sizes(5, nominal=25.02, seed=2)
    files = [table("neck,seat", seat[at : at + 2], neck[at : at + 2]) for at in range(0, 12, 2)]
    files = [text.replace("\n1,", f"\n{2 * n + 1},").replace("\n2,", f"\n{2 * n + 2},")
             for n, text in enumerate(files)]  # fmt: skip

    assert_asks_before_any_act(read(files, plan=SEATS), SEATS, "6 files", "mixed up")


def test_deviations_with_the_sign_turned_round_are_asked_about_before_any_act(read):
    um = [1000 * (size - 25) for size in sizes(5)]

    assert not doubts(read(table("seat", um, digits=1), plan=SEAT))
    wrong = read(table("seat", [-each for each in um], digits=1), plan=SEAT)

    assert_asks_before_any_act(wrong, SEAT, "sign turned round", "20 of 20 readings of seat")


SYMMETRIC = plan_of(seat=(25.0, 0.005, -0.005), neck=(25.0, 0.011, 0.002))
ONE_SIDED = plan_of(seat=(25.0, 0.011, None))
OFF = [1000 * (size - 25) for size in sizes(20, drift=0.0)]
HONEST = {
    "both 15 um off": (SEATS, table("seat,neck", sizes(20), sizes(21, nominal=25.02))),
    "one of two far off": (SEATS, table("seat,neck", sizes(24), sizes(5, nominal=25.02))),
    "two seats of one size, one off": (SYMMETRIC, table("seat,neck", sizes(-6), sizes(6))),
    "symmetric limits, deviations off": (SYMMETRIC, table("seat", [-each for each in OFF],
                                                          digits=1)),
    "limits on one side": (ONE_SIDED, table("seat", OFF, digits=1)),
    "sizes below nominal": (SEAT, table("seat", sizes(-6, drift=0.0))),
    "deviations 15 um off": (SEAT, table("seat", [-each for each in OFF], digits=1)),
    "too few to tell": (SEAT, table("seat", [-5.1, -6.2, -4.4, -5.0], digits=1)),
    "half of them outside": (SEAT, table("seat", [-5.1, 6.2] * 8, digits=1)),
}  # fmt: skip


@pytest.mark.parametrize(("plan", "text"), HONEST.values(), ids=HONEST)
def test_a_run_that_is_bad_in_any_other_manner_is_judged_as_it_stands(read, plan, text):
    run = read(text, plan=plan)

    assert not doubts(run)
    assert examine(run, plan).advice.subject != "entry"


def test_a_column_that_the_plan_names_is_taken_for_what_it_says(read):
    text = table("seat", [-u for u in range(3, 11)], digits=1)
    named = read_plan(
        b'[job]\npart = "Pin"\n[[feature]]\nname = "seat"\nnominal = 25.0\nupper = 0.011\n'
        b'lower = 0.002\n[columns]\nseat = "seat"\n',
        source="pin.toml",
    )

    assert doubts(read(text, plan=SEAT))
    run = read(text, plan=named)
    assert not doubts(run)
    assert examine(run, named).advice.subject != "entry"
