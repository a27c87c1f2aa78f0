"""A physical simulator of scalp EEG with ground truth, to teach a model before labels exist.

`random_scenario` draws a person, a cap, an amplifier and what goes wrong; `simulate` makes the
recording and says where a reader would mark what.
"""

from cleanspan.training.simulator.draw import random_scenario
from cleanspan.training.simulator.recording import Facts, Simulated, simulate
from cleanspan.training.simulator.scenario import (
    Amplifier,
    Brain,
    Burst,
    Eyes,
    Fault,
    Mains,
    Muscle,
    Scenario,
)
from cleanspan.training.simulator.truth import Span

__all__ = [
    "Amplifier",
    "Brain",
    "Burst",
    "Eyes",
    "Facts",
    "Fault",
    "Mains",
    "Muscle",
    "Scenario",
    "Simulated",
    "Span",
    "random_scenario",
    "simulate",
]
