"""How the whole suite runs."""

from hypothesis import HealthCheck, settings

pytest_plugins = ["support.registered_findings"]

# A busy or cold machine is no defect: no time limit for an example, none for making one. The same
# examples on every machine, so that a clone that passed here passes there; other ones are tried
# with `pytest --hypothesis-profile=search`.
settings.register_profile(
    "suite",
    deadline=None,
    derandomize=True,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("search", settings.get_profile("suite"), derandomize=False)
settings.load_profile("suite")
