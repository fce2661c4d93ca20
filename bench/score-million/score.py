"""Score the rows with pandas: CSV in, equation and percentile, CSV out. score.py FOLDER"""
import sys

import numpy as np
import pandas as pd

o = sys.argv[1]
d = pd.read_csv(o + "/c.csv")
P = pd.read_csv(o + "/table.csv").to_numpy()[:, 2:]
v = (55 - .25 * d.age + 4.1 * d.sex - .15 * d.weight + .09 * d.watts - .06 * d.hr).to_numpy()
band = np.searchsorted([18, 30, 40, 50, 60, 70, 80], d.age.to_numpy(), "right") - 1 + 7 * d.sex.to_numpy()
pc = np.zeros(len(d), np.int64)
for k in range(19):
    pc += v >= P[band, k]
pd.DataFrame(dict(id=d.id, vo2=np.round(v, 3), percentile_band=pc * 5)).to_csv(o + "/pandas.csv", index=False)
