"""
How fast a run is replayed: ``pytest tests/bench/bench_replay.py -m bench -s``.

The reference of a replay is the adviser alone on invented parts of a like process, part for part;
that of the cost against the dress interval is the study of the run that it is part of.
"""

from statistics import median
from time import perf_counter

import pytest

from spc.dressing_costs import dressing_costs
from spc.intake import read_run
from spc.plan import load_plan
from spc.replay.compare import Way, policy_of
from spc.replay.play import play
from spc.replay.recorded import recorded
from spc.replay.truth import Truth
from spc.simulate.contenders import Contender
from spc.simulate.contenders import play as play_invented
from spc.simulate.scenes import big_run, write_scene
from spc.simulate.settings import PRESETS
from spc.study import examine


def seconds(job, *, repeats=5):
    """Median of `repeats` runs."""
    taken = []
    for _ in range(repeats):
        start = perf_counter()
        job()
        taken.append(perf_counter() - start)
    return median(taken)


@pytest.mark.bench
def test_a_replayed_part_costs_little_more_than_the_adviser(tmp_path):
    scene = write_scene("idler_bore", tmp_path)
    plan = load_plan(scene.plan)
    record = recorded(read_run([str(scene.csv)], plan), plan)
    draws = iter(range(100))

    def replayed():
        play(policy_of(Way("adviser"), record), record, Truth(record, 1, next(draws)))

    def alone():
        play_invented(Contender("adviser"), PRESETS["S9"], 1, record.parts)

    ratio = seconds(replayed) / seconds(alone)
    print(
        f"\none draw of {record.parts} parts, adviser: {ratio:.2f} x the adviser on invented parts"
    )
    assert ratio < 4


@pytest.mark.bench
def test_the_dress_interval_is_a_small_part_of_a_study(tmp_path):
    scene = big_run(tmp_path, 2000, 4)
    plan = load_plan(scene.plan)
    run = read_run([str(scene.csv)], plan)
    study = examine(run, plan)

    mine = seconds(lambda: dressing_costs(run, plan, study.cycles, last=run.made), repeats=3)
    ratio = mine / seconds(lambda: examine(run, plan), repeats=3)

    print(f"\n2,000 parts x 4: dress interval {ratio:.0%} of the study beside it")
    assert ratio < 0.5
