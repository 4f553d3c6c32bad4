"""Numbers for the baselines of forecast/score: /usr/bin/python3 baselines.py
(statsmodels 0.13.5, NumPy 1.24). Writes baseline_days.csv, made-up duty of ten
weeks, then smoothing_seasonal.csv. Run it before baselines.R."""
import csv
import numpy as np
from statsmodels.tsa.holtwinters import ExponentialSmoothing

rng = np.random.default_rng(11)
pattern = np.array([16, 15, 17, 16, 14, 5, 0], dtype=float)
days = np.round(np.maximum(0, np.tile(pattern, 10) + rng.normal(0, 2, 70) + np.repeat(rng.normal(0, 1, 10), 7)), 2)

with open("baseline_days.csv", "w", newline="") as f:
    w = csv.writer(f, lineterminator="\n")
    w.writerow(["duty"])
    w.writerows([["%.2f" % v] for v in days])

# Additive seasons of seven days about a level without trend, from a known start.
level = 12.0
season = [4.0, 3.5, 4.5, 4.0, 2.0, -7.0, -11.0]
with open("smoothing_seasonal.csv", "w", newline="") as f:
    w = csv.writer(f, lineterminator="\n")
    w.writerow(["alpha", "gamma", "level", "sse"] + ["season%d" % i for i in range(7)])
    for alpha, gamma in [(0.05, 0.02), (0.1, 0.08), (0.4, 0.2)]:
        fit = ExponentialSmoothing(
            days, seasonal="add", seasonal_periods=7, initialization_method="known",
            initial_level=level, initial_seasonal=season,
        ).fit(smoothing_level=alpha, smoothing_seasonal=gamma, optimized=False)
        w.writerow(["%g" % alpha, "%g" % gamma, repr(float(fit.level[-1])), repr(float(fit.sse))] +
                   [repr(float(v)) for v in fit.season[-7:]])
