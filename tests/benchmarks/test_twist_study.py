"""The study of rings, on numbers that are made up."""

from tests.benchmarks.twist_study import Ring, table


def test_a_difference_is_held_against_noise_and_against_noise_and_twist():
    # Noise of 0.3 and 0.4 degrees is 0.5 together; a twist of 1.2 beside it makes 1.3.
    rings = [Ring(0.0, 0.09, 0.0), Ring(0.0, 0.16, 0.0), *[Ring(1.0, 0.16, 1.44)] * 3]
    lines = table([rings, rings]).splitlines()
    white = next(line for line in lines if line.strip().startswith("outer white - inner iris"))
    assert white.split()[-4:] == ["1.48", "2.97", "1.14", "(n=2)"]  # 1.4826 times 1, 1 / 0.5 and 1 / 1.3
