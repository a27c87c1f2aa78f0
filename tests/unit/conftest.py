"""What several modules of unit tests share."""

import pytest

from cleanspan.training.simulator import Eyes, Scenario, simulate

STILL = Eyes(blinks_per_minute=0, lateral_per_minute=0, vertical_per_minute=0)


@pytest.fixture(scope="session")
def still_eyes():
    """40 s of simulated EEG at 250 Hz, 19 channels, nothing at the eyes; nobody may change it."""
    samples = simulate(77, scenario=Scenario(duration_s=40.0, eyes=STILL)).samples_uv.copy()
    samples.flags.writeable = False
    return samples
