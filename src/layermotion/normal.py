"""Owns the numbers of the normal distribution that several parts use."""

from statistics import NormalDist

# So many standard deviations to either side hold 95 %.
Z95 = NormalDist().inv_cdf(0.975)
# Standard deviation over the median size of what has mean 0.
SPREAD_OVER_MEDIAN = 1 / NormalDist().inv_cdf(0.75)
