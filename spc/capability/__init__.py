"""
Capability: how much of the tolerance the process uses, and how sure that is.

Begin with `spc.capability.assessment.assess`, which asks the questions in an auditor's order; the
files below it answer one each: `indices`, `intervals`, `tolerance`, `shapes`, `fitting`,
`fit_test`, `time_parts`, `time_models`, `could_be`, `performance`, `portions`, `outliers`,
`verdict`. `machine_study` is Cm and Cmk, `probability_plot` the picture of a shape.
"""
