"""The single-run fit with scipy's least_squares, on the same run, priors and loss, from the same start.

Three peers: a numpy model that walks from step to step, one that computes all it can over whole arrays first, and
one compiled by numba. Fails if an optimum differs (cost by more than 1e-8 of it, a parameter by more than 0.01
standard errors); speed is printed, not judged. The fastest repetition counts on
both sides: what else runs on the machine can only slow one down.
"""

import json
import math
import sys
import time

import numba
import numpy as np
from scipy.optimize import least_squares

FAN_STILL_BELOW = 0.02
HUBER_AT = 2.5
COST_SHARE = 1e-8
SE_SHARE = 0.01


def sweep_numpy(x, dt, heat, fan, temp, weight, mean, sd, sd_1s):
    """Step by step, with numpy's functions."""
    contact, capacity, passive, air = np.exp(x[0]), np.exp(x[1]), np.exp(x[2]), np.exp(x[3])
    lag = np.exp(x[7])
    sink = x[5]
    sensor = sink + contact * heat[0]
    model = np.empty(len(dt))
    for i in range(len(dt)):
        g = passive + (air * np.power(fan[i], x[4]) if fan[i] > FAN_STILL_BELOW else 0.0)
        end = x[6] + (heat[i] + x[8]) / g
        before = sink
        sink = end + (sink - end) * np.exp(-g * dt[i] / capacity)
        decay = np.exp(-dt[i] / lag)
        jump = contact * heat[i]
        behind = sensor - before - jump
        sensor = sink + jump - (sink - before) * lag / dt[i] * (1.0 - decay) + behind * decay
        model[i] = sensor
    return residuals(model, temp, weight, x, mean, sd, sd_1s)


def sweep_arrays(x, dt, heat, fan, temp, weight, mean, sd, sd_1s):
    """Whole arrays where the recursion allows it, plain floats where it doesn't."""
    contact, capacity, passive, air = np.exp(x[:4])
    lag = math.exp(x[7])
    turning = fan > FAN_STILL_BELOW
    g = passive + np.where(turning, air * np.where(turning, fan, 1.0) ** x[4], 0.0)
    end = x[6] + (heat + x[8]) / g
    decay_sink = np.exp(-g * dt / capacity).tolist()
    decay = np.exp(-dt / lag)
    share = (lag / dt * (1.0 - decay)).tolist()
    decay = decay.tolist()
    jump = (contact * heat).tolist()
    end = end.tolist()
    sink = float(x[5])
    sensor = sink + jump[0]
    model = []
    for i in range(len(dt)):
        before = sink
        sink = end[i] + (sink - end[i]) * decay_sink[i]
        sensor = sink + jump[i] - (sink - before) * share[i] + (sensor - before - jump[i]) * decay[i]
        model.append(sensor)
    return residuals(np.array(model), temp, weight, x, mean, sd, sd_1s)


def residuals(model, temp, weight, x, mean, sd, sd_1s):
    r = (model - temp) * np.sqrt(weight) / sd_1s
    size = np.abs(r)
    far = size > HUBER_AT
    r = np.where(far, np.copysign(np.sqrt(HUBER_AT * (2.0 * np.where(far, size, HUBER_AT) - HUBER_AT)), r), r)
    return np.concatenate([r, (x - mean) / sd])


@numba.njit(cache=False)
def sweep_compiled(x, dt, heat, fan, temp, weight, mean, sd, sd_1s):
    n = len(dt)
    out = np.empty(n + len(x))
    contact, capacity, passive, air = math.exp(x[0]), math.exp(x[1]), math.exp(x[2]), math.exp(x[3])
    lag = math.exp(x[7])
    sink = x[5]
    sensor = sink + contact * heat[0]
    last_dt, decay = 0.0, 1.0
    for i in range(n):
        g = passive
        if fan[i] > FAN_STILL_BELOW:
            g += air * fan[i] ** x[4]
        end = x[6] + (heat[i] + x[8]) / g
        before = sink
        sink = end + (sink - end) * math.exp(-g * dt[i] / capacity)
        if dt[i] != last_dt:
            last_dt, decay = dt[i], math.exp(-dt[i] / lag)
        jump = contact * heat[i]
        sensor = (
            sink + jump - (sink - before) * lag / dt[i] * (1.0 - decay) + (sensor - before - jump) * decay
        )
        r = (sensor - temp[i]) * math.sqrt(weight[i]) / sd_1s
        size = abs(r)
        if size > HUBER_AT:
            r = math.copysign(math.sqrt(HUBER_AT * (2.0 * size - HUBER_AT)), r)
        out[i] = r
    for j in range(len(x)):
        out[n + j] = (x[j] - mean[j]) / sd[j]
    return out


PEERS = [
    ("numpy, step by step", sweep_numpy, 7),
    ("numpy, whole arrays", sweep_arrays, 25),
    ("numba", sweep_compiled, 101),
]


def fit(sweep, case, tolerance):
    names = ["dt_s", "heat_w", "fan", "temp_c", "weight_s", "prior_mean", "prior_sd"]
    args = tuple(np.array(case[n], dtype=float) for n in names) + (float(case["sd_1s_k"]),)
    start = np.array(case["prior_mean"], dtype=float)
    return least_squares(
        sweep, start, args=args, method="trf", x_scale="jac", ftol=tolerance, xtol=tolerance, gtol=tolerance
    )


def loosest_tolerance(sweep, case):
    """The peers' fastest setting that reaches the same optimum."""
    for tolerance in [1e-8, 1e-9, 1e-10, 1e-11, 1e-12, 1e-13]:
        if differences(fit(sweep, case, tolerance), case)[2]:
            return tolerance
    return 1e-14


def differences(result, case):
    cost = abs(2.0 * result.cost / case["cost"] - 1.0)
    params = np.max(np.abs(result.x - case["params"]) / np.array(case["se"]))
    return cost, params, bool(cost <= COST_SHARE and params <= SE_SHARE)


def fastest_time(sweep, case, tolerance, repeats):
    times = []
    for _ in range(repeats):
        begin = time.perf_counter()
        result = fit(sweep, case, tolerance)
        times.append(time.perf_counter() - begin)
    return min(times), result


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        report = json.load(file)
    print(f"whole fit of 1,300 samples, preparing and noise estimate included: {report['whole_fit_s'] * 1e3:.2f} ms")
    row = "{:<14} {:<22} {:>9} {:>7} {:>10} {:>11} {:>11}  {}"
    print(row.format("steps", "who", "ms", "evals", "times ours", "cost diff", "param diff", "optimum"))
    all_same = True
    for case in report["cases"]:
        steps = f"{len(case['dt_s'])} {case['name'].split()[0]}"
        print(row.format(steps, "windrow", f"{case['fit_s'] * 1e3:.3f}", case["evaluations"], "1", "", "", ""))
        # The compiled model finds the tolerance: the same for all, and compiles before the clock runs.
        tolerance = loosest_tolerance(sweep_compiled, case)
        for name, sweep, repeats in PEERS:
            seconds, result = fastest_time(sweep, case, tolerance, repeats)
            cost, params, same = differences(result, case)
            all_same &= same
            ratio = f"{seconds / case['fit_s']:.0f}"
            verdict = "same" if same else "DIFFERENT"
            print(row.format(steps, name, f"{seconds * 1e3:.2f}", result.nfev, ratio, f"{cost:.1e}", f"{params:.1e} se", verdict))
    return 0 if all_same else 1


sys.exit(main())
