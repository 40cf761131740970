"""Settings that hold for every test: seeded Hypothesis, so that a failure comes again."""

from hypothesis import HealthCheck, settings

settings.register_profile(
    "seeded",
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    database=None,
)
settings.load_profile("seeded")
