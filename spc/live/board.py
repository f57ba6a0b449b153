"""The board beside the machine, renewed from the end of a run in the ledger."""

from datetime import datetime
from pathlib import Path

from spc.acts import acts_of
from spc.dress_cycles import DressCycle, dress_cycles
from spc.findings import FeatureStudy, Stability, Study
from spc.ledger.as_run import last_parts
from spc.live.held import PARTS
from spc.live.session import Session
from spc.one_feature import in_doubt_of, outside_of
from spc.plan import Feature
from spc.report.pages import write_board
from spc.run import Run
from spc.series import series_of
from spc.study import holds_of

_UNJUDGED = Stability(None, 0, None, "not judged on a board")


def renew_board(session: Session, path: str | Path, *, now: datetime | None = None) -> Path:
    """
    Write the board of a run: the act as the session advises it, and the last parts.

    Charts and indices are left out, so that it takes the same time at the end of a long run.
    """
    with session.ledger.reading() as reader:
        run = last_parts(reader, session.run, max(1, session.progress.made - PARTS))
    return write_board(_study(session, run), path, as_of=now)


def _study(session: Session, run: Run) -> Study:
    plan, last = session.plan, session.progress.made
    first = max(1, last - PARTS)
    cycles = dress_cycles(last, run.events["after_part"].to_numpy(), run.events["kind"].tolist())
    features = tuple(_feature(session, run, feature, cycles, first) for feature in plan.features)
    return Study(
        run=run,
        plan=plan,
        first_part=first,
        last_part=last,
        shift=None,
        features=features,
        cycles=cycles,
        acts=acts_of(run, plan, features, first, last),
        prompts=(),
        held=tuple(holds_of(run, plan, cycles, first=first, last=last, begun=first)),
        advice=session.advice,
        learned={},
        self_check=session.progress.advisor.self_check(),
        remarks=run.remarks,
    )


def _feature(
    session: Session,
    run: Run,
    feature: Feature,
    cycles: tuple[DressCycle, ...],
    first: int,
) -> FeatureStudy:
    series = series_of(run, session.plan, feature, cycles, first=first, last=session.progress.made)
    limits = (
        float("-inf") if feature.lower_um is None else feature.lower_um,
        float("inf") if feature.upper_um is None else feature.upper_um,
    )
    return FeatureStudy(
        feature=feature,
        series=series,
        individuals=None,
        sloping=None,
        signals=(),
        wear=(),
        stability=_UNJUDGED,
        capability=None,
        resolution=None,
        outside=outside_of(series, limits),
        in_doubt=in_doubt_of(series, feature),
        base_words="",
    )
