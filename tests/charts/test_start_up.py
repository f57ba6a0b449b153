import subprocess
import sys


def test_drawing_and_judging_charts_loads_neither_scipy_stats_nor_scipy_signal():
    code = """
import sys
import numpy as np
from spc.charts import (
    cusum, doubts, ewma, neighbours, run_length, short_run, signals, trended, watchfulness
)
from spc.charts.shewhart import averages_s_chart, individuals_chart, medians_chart
x = np.sin(np.arange(60.0)) + np.arange(60) % 7
signals.watch(individuals_chart(x).location.z, signals.ALL)
averages_s_chart(x.reshape(-1, 4))
medians_chart(x.reshape(-1, 5))
chart = trended.cycles_chart(np.arange(60) // 20, np.arange(60) % 20, x)
doubts.doubts(chart)
ewma.ewma_chart(x)
cusum.cusum_chart(x)
short_run.self_starting_chart(x)
run_length.in_control(signals.ALL)
watchfulness.of_cusum(1.0)
print(*sorted(sys.modules))
"""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code], capture_output=True, text=True, check=True
    )

    loaded = set(done.stdout.split())
    assert not loaded & {"scipy.stats", "scipy.signal", "scipy.sparse.linalg", "pandas"}
