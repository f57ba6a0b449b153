"""Sizes of a 40 mm seat as a comma file, and plans for another nominal (invented)."""

from spc.plan import read_plan


def sizes(*cells, head="part;seat A"):
    return f"{head}\n" + "".join(f"{i};{cell}\n" for i, cell in enumerate(cells, 1))


# Sizes of a 40 mm seat, as a comma file from a shop with a plan for another part (invented).
FORTY = ("40,0054", "40,0062", "40,0068", "40,0080", "40,0071", "40,0102", "40,0059")


def for_nominal(nominal, upper, lower, unit="mm"):
    text = f"""
[job]
part = "Pump shaft"
[[feature]]
name = "seat A"
nominal = {nominal}
upper = {upper}
lower = {lower}
unit = "{unit}"
"""
    return read_plan(text.encode(), source="plan.toml")
