#!/usr/bin/env python3
"""Run the three programs in turn on the same file, check that they agree, and print medians and ratios.

compare.py GRADUS FOLDER [ROUNDS]

Exit code 1 when the answers differ; 2 when a goal is missed (6 times data.table, 12 times pandas, 40 MB).
"""
import csv
import os
import statistics
import subprocess
import sys
import time

GOALS = {"data.table": 6.0, "data.table, 2 threads": None, "pandas": 12.0}
PEAK_MB = 40


def run(command, output, more_env):
    """Wall seconds, processor seconds and peak memory in MB of a whole process, started from nothing."""
    if os.path.exists(output):
        os.remove(output)
    os.sync()
    start = time.perf_counter()
    process = subprocess.Popen(command, env={**os.environ, **more_env}, stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(process.pid, 0)
    wall = time.perf_counter() - start
    if status:
        sys.exit(f"{command[0]} ended with status {status}")
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def check(folder):
    """Every row of the three answers must be the same value to 3 decimals and the same percentile."""
    n = cautions = 0
    names = ("gradus.csv", "datatable.csv", "pandas.csv")
    files = [open(f"{folder}/{name}", newline="") for name in names]
    for ours, table, pandas in zip(*(csv.DictReader(f) for f in files), strict=True):
        n += 1
        cautions += ours["cautions"] != ""
        if not ours["id"] == table["id"] == pandas["id"]:
            sys.exit(f"row {n}: ids differ")
        if not ours["percentile"] == table["percentile_band"] == pandas["percentile_band"]:
            sys.exit(f"row {n}: percentiles differ: {ours} {table} {pandas}")
        for other in (table, pandas):
            if abs(float(ours["estimate"]) - float(other["vo2"])) > 1e-9:
                sys.exit(f"row {n}: values differ: {ours} {other}")
    return n, cautions


def main():
    gradus, folder = os.path.abspath(sys.argv[1]), os.path.abspath(sys.argv[2])
    rounds = int(sys.argv[3]) if len(sys.argv) > 3 else 7
    here = os.path.dirname(os.path.abspath(__file__))
    r = ["Rscript", "--vanilla", f"{here}/score.R", folder]
    programs = {
        "gradus": ([gradus, "estimate", f"{here}/invented.yaml", "--in", f"{folder}/c.csv", "--out", f"{folder}/gradus.csv",
                    "--reference", f"{folder}/table.csv"], "gradus.csv", {}),
        "data.table": (r, "datatable.csv", {}),
        "data.table, 2 threads": (r, "datatable.csv", {"R_DATATABLE_NUM_THREADS": "2"}),
        "pandas": (["/usr/bin/python3", f"{here}/score.py", folder], "pandas.csv", {}),
    }
    seen = {name: [] for name in programs}
    for i in range(rounds + 1):
        for name, (command, output, env) in programs.items():
            measured = run(command, f"{folder}/{output}", env)
            if i > 0:  # the first round warms the caches
                seen[name].append(measured)
    n, cautions = check(folder)
    print(f"{n} rows, the same in all programs; {cautions} with a caution")
    median = {name: [statistics.median(column) for column in zip(*values)] for name, values in seen.items()}
    missed = median["gradus"][2] >= PEAK_MB
    print(f"{'program':<24}{'wall s':>8}{'range':>15}{'cpu s':>8}{'peak MB':>9}{'ratio':>7}")
    for name, (wall, cpu, peak) in median.items():
        walls = [v[0] for v in seen[name]]
        ratio = wall / median["gradus"][0]
        print(f"{name:<24}{wall:>8.3f}{min(walls):>8.3f}-{max(walls):.3f}{cpu:>8.2f}{peak:>9.1f}{ratio:>7.1f}")
        goal = GOALS.get(name)
        missed |= goal is not None and ratio < goal
    print(f"goals: 6 times data.table, 12 times pandas, below {PEAK_MB} MB: {'missed' if missed else 'met'}")
    sys.exit(2 if missed else 0)


main()
