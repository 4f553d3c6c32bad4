"""Numbers from SciPy and statsmodels that tests compare with; see README.md.

Called by regenerate.sh.
"""

import csv
import math

import numpy as np
import statsmodels.api as sm
from scipy import integrate, stats
from statsmodels.tsa.holtwinters import SimpleExpSmoothing
from statsmodels.tsa.statespace.kalman_filter import KalmanFilter


def write(file, header, rows):
    with open(file, "w", newline="") as f:
        w = csv.writer(f, lineterminator="\n")
        w.writerow(header)
        for row in rows:
            w.writerow([v if isinstance(v, str) else repr(float(v)).removesuffix(".0") for v in row])


def read(file):
    with open(file) as f:
        return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(f)]


nile = np.array([row["flow"] for row in read("nile.csv")])


def nile_level():
    """A local level with H 15099 and Q 1469.1, initialised exactly diffuse."""
    h, q = 15099.0, 1469.1
    model = sm.tsa.UnobservedComponents(nile, "llevel", use_exact_diffuse=True)
    r = model.smooth([h, q])
    rows = [(t + 1, r.predicted_state[0, t], r.predicted_state_cov[0, 0, t]) for t in range(1, 101)]
    write("nile_filter.csv", ["t", "a", "P"], rows)
    rows = [("loglik_from_2", sum(r.llf_obs[1:])), ("loglik_diffuse", r.llf), ("gain", r.predicted_state_cov[0, 0, 100] / (r.predicted_state_cov[0, 0, 100] + h)),
            ("P_steady", (q + math.sqrt(q * q + 4 * q * h)) / 2)]
    write("nile_level.csv", ["quantity", "value"], rows)


def nile_mean():
    """Standard errors of the mean of serially correlated years, Bartlett weights."""
    ols = sm.OLS(nile, np.ones(len(nile)))
    rows = [(0, ols.fit().bse[0], "with n-1")]
    for lags in (4, 27):
        for correction in (False, True):
            se = ols.fit(cov_type="HAC", cov_kwds={"maxlags": lags, "use_correction": correction}).bse[0]
            rows.append((lags, se, "with n/(n-1)" if correction else "plain"))
    write("nile_hac.csv", ["lags", "se", "correction"], rows)


def fusion():
    """Remaining volume and delivery factor over ten readings, two passed over."""
    y = np.array([122.5, 121.25, 120, 117.5, np.nan, 113.75, 111.25, np.nan, 108.75, 107.5])
    f = np.array([[1.0, -2.0], [0.0, 1.0]])
    q = np.diag([0.04, 1e-5])
    k = KalmanFilter(k_endog=1, k_states=2, k_posdef=2)
    k.bind(y[:, None].copy())
    k["design"] = np.array([[1.0, 0.0]])
    k["transition"], k["selection"], k["state_cov"] = f, np.eye(2), q
    k["obs_cov"] = np.array([[1 + 1.25**2 / 12]])
    k.initialize_known(f @ np.array([125.0, 1.0]), f @ np.diag([4, 0.01]) @ f.T + q)
    k.loglikelihood_burn = 0
    r = k.filter()
    rows = [(t + 1, -1 if math.isnan(y[t]) else y[t], *r.filtered_state[:, t], r.filtered_state_cov[0, 0, t], r.filtered_state_cov[0, 1, t],
             r.filtered_state_cov[1, 1, t], sum(r.llf_obs[: t + 1])) for t in range(10)]
    write("fusion.csv", ["step", "reading", "remaining", "factor", "var_r", "cov", "var_f", "loglik"], rows)


def bounds():
    """Moments of what is left given that the level, with noise, lies in bounds."""
    rows = []
    for mean, var, low, high, noise in [(50, 4, 50.625, 51.875, 0), (50, 4, 45, 47.5, 0), (50, 1, 54.0, 56.0, 0),
                                        (50, 4, 50.625, 51.875, 0.8**2), (50, 4, 40, 45, 1.5**2), (80, 9, 75, 87.5, 0.25)]:
        sd = math.sqrt(var + noise)
        a, b = (low - mean) / sd, (high - mean) / sd
        z = stats.norm.sf(a) - stats.norm.sf(b) if a > 0 else stats.norm.cdf(b) - stats.norm.cdf(a)
        if noise == 0:
            law = stats.truncnorm(a, b, loc=mean, scale=sd)
            m, v = law.mean(), law.var()
        else:
            s = math.sqrt(noise)
            weight = lambda x: stats.norm.pdf(x, mean, math.sqrt(var)) * (stats.norm.cdf((high - x) / s) - stats.norm.cdf((low - x) / s))
            def over(g):
                total = 0.0
                edges = [mean - 10 * math.sqrt(var), low - s, low + s, high - s, high + s, mean + 10 * math.sqrt(var)]
                edges = sorted(edges)
                for x0, x1 in zip(edges, edges[1:]):
                    total += integrate.quad(lambda x: g(x) * weight(x), x0, x1, epsabs=0, epsrel=1e-12, limit=200)[0]
                return total
            z0 = over(lambda x: 1.0)
            m = over(lambda x: x) / z0
            v = over(lambda x: (x - m) ** 2) / z0
        rows.append((mean, var, low, high, noise, m, v, z))
    write("bounds.csv", ["mean", "var", "low", "high", "noise", "posterior_mean", "posterior_var", "chance"], rows)


def members():
    """Level filters of the duty mixture on one made-up series.

    y = h (mu + x) + e, Var e = g; x' = phi x + eta, Var eta = r; mu constant with
    mean 1 and variance 25; all in units of s2, which is then concentrated out.
    g = 0 marks a day that only lets time pass. The forecast is the sum of h (mu
    + x) + e over 30 days with the pattern of the series.
    """
    rng = np.random.default_rng(20260303)
    n, ahead = 120, 30
    week_h = np.array([1.3, 1.25, 1.2, 1.3, 1.1, 0.6, 0.25])
    week_g = np.array([1.0, 1.1, 0.9, 1.0, 1.2, 0.5, 0.1])
    h = np.tile(week_h, 40)[: n + ahead]
    g = np.tile(week_g, 40)[: n + ahead]
    x = 0.0
    y = np.empty(n)
    for t in range(n):
        x = 0.95 * x + 0.05 * rng.standard_normal()
        y[t] = round(h[t] * (1 + x + (0.2 if t > 80 else 0)) + 0.15 * math.sqrt(g[t]) * rng.standard_normal(), 4)
    missing = np.zeros(n, bool)
    missing[[5, 33, 34, 35, 36, 90]] = True
    write("level_days.csv", ["h", "g", "y"], [(h[t], 0 if missing[t] else g[t], 0 if missing[t] else y[t]) for t in range(n)])

    rows = []
    for phi, r in [(0, 0), (0.8, 0.1), (0.8, 2), (0.97, 0.03), (1, 0.0002), (1, 0.006), (1, 0.03)]:
        k = KalmanFilter(k_endog=1, k_states=2, k_posdef=1)
        obs = np.where(missing, np.nan, y)
        k.bind(obs[:, None].copy())
        k["design"] = np.stack([h[:n], h[:n]])[None, :, :]
        k["obs_cov"] = g[None, None, :n].copy()
        f = np.diag([1.0, phi])
        k["transition"], k["selection"] = f, np.array([[0.0], [1.0]])
        k["state_cov"] = np.array([[float(r)]])
        k.initialize_known(np.array([1.0, 0.0]), np.diag([25.0, r / (1 - phi * phi) if phi < 1 else 0.0]))
        k.loglikelihood_burn = 0
        k.tolerance = 0
        out = k.filter()
        v, big = out.forecasts_error[0][~missing], out.forecasts_error_cov[0, 0][~missing]
        seen = len(v)
        s2 = np.mean(v * v / big)
        fit = -0.5 * np.sum(np.log(big)) - 0.5 * seen * math.log(s2)
        a, p = out.predicted_state[:, n].copy(), out.predicted_state_cov[:, :, n].copy()
        # Mean and variance of the sum ahead, with the sum as a third state.
        state, cov = np.append(a, 0.0), np.zeros((3, 3))
        cov[:2, :2] = p
        for t in range(n, n + ahead):
            if t > n:
                step = np.diag([1.0, phi, 1.0])
                state, cov = step @ state, step @ cov @ step.T + np.diag([0.0, r, 0.0])
            take = np.array([[1, 0, 0], [0, 1, 0], [h[t], h[t], 1.0]])
            state, cov = take @ state, take @ cov @ take.T + np.diag([0.0, 0.0, g[t]])
        rows.append((phi, r, a[0], a[1], p[0, 0], p[0, 1], p[1, 1], s2, fit, out.llf, state[2], cov[2, 2]))
    write("level_members.csv", ["phi", "r", "mu", "x", "pmm", "pmx", "pxx", "s2", "fit", "loglik_at_1", "ahead_mean", "ahead_var"], rows)


def smoothing():
    """Simple exponential smoothing from the first value."""
    oil = np.array([446.6565, 454.4733, 455.663, 423.6322, 456.2713, 440.5881, 425.3325, 485.1494, 506.0482, 526.792, 514.2689, 494.211])
    rows = []
    for alpha in (0.2, 0.6):
        fit = SimpleExpSmoothing(oil, initialization_method="known", initial_level=oil[0]).fit(smoothing_level=alpha, optimized=False)
        rows.append((alpha, fit.forecast(1)[0], fit.sse))
    write("smoothing.csv", ["gain", "level", "sse"], rows)


def uptime():
    """Uptime within t days of an alternating renewal process, from running."""
    rng = np.random.default_rng(20260304)
    rows = []
    for up, down in [(50, 5), (30, 10)]:
        t, runs = 2000.0, 20000
        now, total = np.zeros(runs), np.zeros(runs)
        while (now < t).any():
            run = np.minimum(rng.exponential(up, runs), np.maximum(0, t - now))
            total += run
            now += run
            now += np.where(now < t, rng.exponential(down, runs), 0)
        rows.append((up, down, t, runs, total.mean() / t, total.var(ddof=1) / t, math.sqrt(2.0 / runs) * total.var(ddof=1) / t))
    write("uptime_simulated.csv", ["up", "down", "days", "runs", "mean_per_day", "variance_per_day", "variance_se"], rows)


for job in (nile_level, nile_mean, fusion, bounds, members, smoothing, uptime):
    job()
