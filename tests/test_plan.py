import pytest

from spc.errors import PlanError
from spc.plan import load_plan, read_plan

JOB = '[job]\npart = "Lock pin"\n'
SEAT = '[[feature]]\nname = "seat"\nnominal = 25.0\nupper = 0.011\nlower = 0.002\n'


def plan_of(text):
    return read_plan(text.encode(), source="pin.toml")


def test_a_job_and_one_feature_make_a_plan():
    plan = plan_of(JOB + SEAT)

    seat = plan.feature("seat")
    assert (seat.nominal_mm, seat.lower_um, seat.upper_um) == (25.0, 2.0, 11.0)
    assert seat.target_um == 6.5
    assert plan.lead is seat
    assert plan.cost.off_target_loss == pytest.approx(0.03 * plan.cost.scrap)


def test_inches_become_millimetres_and_micrometres_once():
    plan = plan_of(
        JOB + '[[feature]]\nname = "land"\nnominal = 0.5\nupper = 0.0\nlower = -0.0002\nunit = "in"'
    )

    land = plan.feature("land")
    assert land.nominal_mm == 12.7
    assert (land.lower_um, land.upper_um) == (-5.08, 0.0)


def test_a_fit_stands_for_nominal_and_limits():
    plan = plan_of(JOB + '[[feature]]\nname = "seat"\nfit = "25 k5"')

    seat = plan.feature("seat")
    assert (seat.nominal_mm, seat.lower_um, seat.upper_um) == (25.0, 2.0, 11.0)


def test_limits_are_guarded_by_the_uncertainty():
    # ISO 14253-1 one-sided 95 %: 0.825 U inside each limit (from memory).
    plan = plan_of(JOB + SEAT + "uncertainty_um = 1.0")

    assert plan.feature("seat").guarded_um == pytest.approx((2.825, 10.175))


def test_a_taper_with_one_limit_is_limited_both_ways():
    plan = plan_of(
        JOB + SEAT + SEAT.replace('"seat"', '"journal"') + '[[feature]]\nname = "taper"\n'
        'kind = "taper"\nbetween = ["seat", "journal"]\nupper = 3.0\nunit = "um"\n'
    )

    assert plan.feature("taper").lower_um == -3.0
    assert [f.name for f in plan.measured_features] == ["seat", "journal"]


def test_a_zero_bounded_feature_aims_at_zero():
    plan = plan_of(
        JOB + SEAT + '[[feature]]\nname = "round"\nkind = "roundness"\nupper = 2.0\nunit = "um"'
    )

    round_ = plan.feature("round")
    assert (round_.target_um, round_.lower_um, round_.upper_um) == (0.0, None, 2.0)


def test_a_one_sided_size_has_no_target_of_its_own():
    plan = plan_of(JOB + '[[feature]]\nname = "seat"\nnominal = 25.0\nupper = 0.011')

    assert plan.feature("seat").target_um is None


def test_shifts_may_pass_midnight():
    plan = plan_of(JOB + SEAT + '[shifts]\nnight = "22:00-06:00"\nzone = "Europe/Paris"')

    start, end = plan.shifts.span("night")
    assert (start.hour, end.hour) == (22, 6)
    assert plan.zone.key == "Europe/Paris"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (JOB + SEAT + "uper = 1", "feature 'seat', uper: unknown key; known here: name"),
        (JOB.replace("part", "prat") + SEAT, "job, prat: unknown key"),
        (JOB + SEAT + "[wheels]", "wheels: unknown key"),
        (JOB, "feature: this key is missing"),
        (SEAT, "job: this key is missing"),
        (JOB + SEAT.replace("0.002", "0.02"), "lower 0.02 mm is not below upper 0.011 mm"),
        (JOB + SEAT.replace("0.011", "'big'"), "feature 'seat', upper = 'big'"),
        (JOB + SEAT.replace("0.011", "nan"), "feature 'seat', upper = nan"),
        (JOB + SEAT.replace("nominal = 25.0\n", ""), "nominal is missing"),
        (JOB + SEAT + 'fit = "25 k6"', "upper = 0.011 does not agree with fit '25 k6'"),
        (JOB + SEAT + 'fit = "25 cd6"', "'cd' is not in the tables"),
        (JOB + SEAT + SEAT, "'seat' is used twice"),
        (JOB + SEAT + 'kind = "groove"', "kind = 'groove'"),
        (JOB + SEAT + "uncertainty_um = 9", "leaves no room between the limits"),
        (JOB + SEAT + '[shifts]\nearly = "6-14"', "early = '6-14' is not a shift"),
        (JOB + SEAT + '[shifts]\nzone = "Mars"', "zone = 'Mars' is not a time zone"),
        (JOB + SEAT + "[machine]\noffset_step_um = 0", "machine, offset_step_um = 0"),
        (JOB + SEAT + "[charts]\nbase = [9, 3]", "must give the first part, then the last"),
        (JOB + SEAT + '[[feature]]\nname = "t"\nkind = "taper"\nupper = 1\nunit = "um"\n'
         'between = ["seat", "hub"]', "'hub', which is no feature here"),
        (JOB + SEAT.replace("0.011", "11").replace("0.002", "2"),
         "feature 'seat': a limit at a deviation of 11 mm on 25 mm is wider than IT18, the coarsest"
         " grade of ISO 286 (3.3 mm); limits are deviations in the feature's unit, mm here; did you"
         " mean upper = 0.011, lower = 0.002?"),
        (JOB + SEAT + "target = 6.5", "target 6.5 mm lies outside the limits"),
        (JOB + '[[feature]]\nname = "hub"\nfit = "25 H7"', "does not suit kind 'diameter'"),
        (JOB + '[[feature]]\nname = "hub"\nkind = "bore"\nfit = "25 k5"', "does not suit kind"),
        (JOB + '[[feature]]\nname = "r"\nkind = "roundness"\nupper = 1\nunit = "um"\n'
         "uncertainty_um = 2", "leaves no room below upper"),
        (JOB + SEAT + '[[feature]]\nname = "t"\nkind = "taper"\nupper = 1\nunit = "um"\n'
         'between = ["seat", "seat"]', "two different diameters"),
        (JOB + SEAT + "[charts]\none_side = 1", "one_side = 1"),
        (JOB + SEAT + '[shifts]\nearly = "06:00Z-14:00"', "leave the zone to the key zone"),
        (JOB + SEAT + "[machine]\noffset_step_um = 30", "no move could ever be advised"),
        (JOB + SEAT + '[[charts.limits]]\nfeature = "seat"\nsigma = 1',
         "charts, limits[0], sigma: unknown key; known here: feature, from_part, sigma_um"),
        ("[job", "this is not TOML"),
        (JOB + SEAT + 'source = "x"\n', "source: unknown key"),
    ],
)  # fmt: skip
def test_a_fault_names_file_key_sight_and_cure(text, says):
    with pytest.raises(PlanError) as refusal:
        plan_of(text)

    assert str(refusal.value).startswith("pin.toml: ")
    assert says in str(refusal.value)
    assert "\n" not in str(refusal.value)


@pytest.mark.parametrize(
    ("seat", "asks"),
    [
        (SEAT, ""),
        (SEAT.replace("0.011", "0.4"), ""),
        (SEAT.replace("0.011", "0.6"), "a limit at a deviation of 0.6 mm on 25 mm is wide"),
        (SEAT.replace("0.011", "0.6").replace("0.002", "-0.6"),
         "a tolerance of 1.2 mm on 25 mm is wide; limits are deviations in the feature's unit, mm"),
        (SEAT.replace("25.0", "0.5").replace("0.011", "0.05"), ""),
        (SEAT.replace("25.0", "0.5").replace("0.011", "0.15"), "0.15 mm on 0.5 mm is wide"),
        (SEAT.replace("25.0", "800.0").replace("0.011", "17"), "17 mm on 800 mm is wide"),
    ],
)  # fmt: skip
def test_limits_that_are_wide_for_a_ground_size_are_asked_about(seat, asks):
    # ISO 286-1:2010, Table 1 (from memory): IT12 is 0.21 mm and IT16 1.3 mm at 25 mm.
    doubt = plan_of(JOB + seat).feature("seat").doubt

    assert asks in doubt
    assert bool(asks) == bool(doubt)


def test_limits_half_as_wide_as_the_size_are_refused_beyond_the_tables():
    with pytest.raises(PlanError, match="reaches half of the size"):
        plan_of(JOB + SEAT.replace("25.0", "800.0").replace("0.011", "400.0"))


def test_a_single_fault_is_counted_once():
    with pytest.raises(PlanError) as refusal:
        plan_of(JOB + SEAT.replace("0.002", "0.02"))

    assert "more)" not in str(refusal.value)


def test_a_missing_plan_file_is_named(tmp_path):
    with pytest.raises(PlanError, match=r"none\.toml: the plan cannot be opened"):
        load_plan(tmp_path / "none.toml")


def test_a_plan_that_is_not_text_is_refused(tmp_path):
    path = tmp_path / "plan.toml"
    path.write_bytes(b"\xff\xfe\x00")

    with pytest.raises(PlanError, match="UTF-8"):
        load_plan(path)


BEYOND = {
    "a yes for a limit": ("upper = 0.011", "upper = true", "upper: true is no number"),
    "a yes for a time": (JOB, JOB + "minutes_per_part = true\n", "minutes_per_part: true is no"),
    "a yes in a list": ("[charts]", "[charts]\nbase = [true, 40]", "is no number"),
    "a size beyond measure": ("25.0", "1e308", "nominal: 1e\\+308 is beyond the reach"),
    "a size of 200 m": ("25.0", "2e5", "nominal = 200000 mm is longer than 100 m"),
    "a time beyond measure": (JOB, JOB + "minutes_per_part = 1e300\n", "minutes_per_part: 1e\\+30"),
    "a number in quotes": ("25.0", '"1e300"', "nominal: 1e\\+300 is beyond"),
    "a step of nothing": ("[charts]", "[machine]\noffset_step_um = 1e-300", "beyond the reach"),
    "a count of 30 digits": (SEAT, SEAT + f"sample = {'9' * 30}\n", "a number of 30 digits is bey"),
    "a count of 5,000 digits": (SEAT, SEAT + f"sample = {'9' * 5000}\n", "too many digits"),
    "a pattern of a million": ("[charts]", "[charts]\none_side = 1000000", "equal to 1000"),
    "nesting": ("[charts]", f"[charts]\nbase = {'[' * 20_000}{']' * 20_000}", "nested too deep"),
    "infinity": ("25.0", "inf", "nominal = inf: input should be a finite number"),
    "no number": ("25.0", "nan", "nominal = nan: input should be a finite number"),
}  # fmt: skip


@pytest.mark.parametrize(("old", "new", "says"), BEYOND.values(), ids=BEYOND)
def test_numbers_beyond_any_shop_are_refused_in_one_line(old, new, says):
    text = JOB + SEAT + "[charts]\n"
    assert old in text

    with pytest.raises(PlanError, match=says) as refusal:
        plan_of(text.replace(old, new))

    assert "\n" not in str(refusal.value)
    assert len(str(refusal.value)) < 300
    assert refusal.value.exit_status == 2


def test_what_is_yes_or_no_in_a_plan_stays_so():
    plan = plan_of(JOB + SEAT + "lead = true\n[machine]\ndress_resets_size = false\n")

    assert plan.feature("seat").lead is True
    assert plan.machine.dress_resets_size is False
