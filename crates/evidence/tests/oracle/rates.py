"""Answers of scipy about counts and rates: one question per input line, one line of numbers per answer."""

import sys

from scipy import stats

for line in sys.stdin:
    what, *numbers = line.split()
    x = [float(number) for number in numbers]
    if what == "interval":
        events, confidence = x
        tail = (1 - confidence) / 2
        low = stats.chi2.ppf(tail, 2 * events) / 2 if events > 0 else 0.0
        answer = [low, stats.chi2.isf(tail, 2 * events + 2) / 2, stats.chi2.isf(1 - confidence, 2 * events + 2) / 2]
    elif what == "compare":
        k1, t1, k2, t2 = x
        n, share = int(k1 + k2), t1 / (t1 + t2)
        test = lambda side: stats.binomtest(int(k1), n, share, alternative=side)
        both = test("two-sided")
        bounds = both.proportion_ci(0.95, method="exact")
        ratio = lambda p: p / (1 - p) * t2 / t1 if p < 1 else float("inf")
        answer = [test("greater").pvalue, test("less").pvalue, both.pvalue, ratio(bounds.low), ratio(bounds.high)]
        answer.append(stats.poisson_means_test(int(k1), t1, int(k2), t2).pvalue)
        answer.append(stats.beta.sf(t1 / (t1 + t2), k1 + 0.5, k2 + 0.5))
    elif what == "clustered":
        k, mean, dispersion = x
        answer = [stats.nbinom.logpmf(k, mean / (dispersion - 1), 1 / dispersion)]
    elif what == "marginal":
        k, exposure, shape, rate = x
        answer = [stats.nbinom.logpmf(k, shape, rate / (rate + exposure))]
    elif what == "needed":
        k, exposure, after, seen = x
        answer = [stats.nbinom.cdf(after, k + 0.5, exposure / (exposure + seen))]
    else:
        sys.exit(f"unknown question: {what}")
    print(*(repr(float(number)) for number in answer))
