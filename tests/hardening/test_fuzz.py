"""A little of the hostile input in every test run; the rest is run by the commands beside this file."""

import random
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.hardening import commands, readers
from tests.hardening.campaign import Fed
from tests.hardening.settings import write_settings

FEW = settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large],
)


@pytest.mark.parametrize("name", readers.CASES)
@FEW
@given(rnd=st.randoms(use_true_random=False))
def test_no_input_makes_a_reader_fail(name: str, tmp_path: Path, rnd: random.Random) -> None:
    assert readers.run_case(name, rnd, tmp_path) in {"read", "refused"}


@pytest.mark.parametrize("name", ["fleet folder", "lives file"])
def test_no_input_makes_a_command_fail(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    for number in range(5):
        assert commands.run_case(name, readers.seed_of(name, number), tmp_path) in {"read", "refused"}


def test_a_case_is_the_same_whenever_it_is_drawn() -> None:
    first, then = ([write_settings(readers.seed_of("fleet.toml", number)) for number in range(4000)] for _ in range(2))
    assert first == then
    fed = [write_settings(Fed(bytes(range(256)))) for _ in range(2)]
    assert fed[0] == fed[1]
