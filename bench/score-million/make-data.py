#!/usr/bin/env python3
"""Make the input of the speed comparison: make-data.py FOLDER. Invented people, fixed seed; needs numpy.

c.csv      1,000,000 rows: id, age, sex (0 or 1), weight (kg), watts, hr
table.csv  an invented table of percentiles: for each sex and band of age the values that cut off 5 to 95 %
"""
import sys
from statistics import NormalDist

import numpy as np

folder = sys.argv[1]
r = np.random.default_rng(20240501)
n = int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000
age = r.integers(18, 90, n)
sex = r.integers(0, 2, n)
columns = dict(id=np.arange(n), age=age, sex=sex, weight=np.round(62 + 16 * sex + 11 * r.standard_normal(n), 1),
               watts=np.round(100 + 30 * r.standard_normal(n)), hr=np.round(128 + 11 * r.standard_normal(n)))
np.savetxt(f"{folder}/c.csv", np.column_stack(list(columns.values())), delimiter=",", header=",".join(columns),
           comments="", fmt=["%d", "%d", "%d", "%.1f", "%d", "%d"])
with open(f"{folder}/table.csv", "w") as f:
    f.write("sex,age_low," + ",".join(f"p{q}" for q in range(5, 100, 5)) + "\n")
    for s in (0, 1):
        for a in (18, 30, 40, 50, 60, 70, 80):
            cuts = (34 + 5 * s - 0.25 * (a - 18) + 6 * NormalDist().inv_cdf(q / 100) for q in range(5, 100, 5))
            f.write(f"{s},{a}," + ",".join("%.2f" % c for c in cuts) + "\n")
