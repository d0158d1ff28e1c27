"""Drawing by lot one by one, in any order, gives what sorting all of the lots gives."""

import random

import pandas as pd
import pytest

from pipeline.extraction.lottery import Lottery, in_order_of_lots

NAMES = [(f"A{number:04d}", f"A{number:04d}.{trial}") for number in range(7) for trial in range(4)]
NAMES = NAMES[:-3]  # one athlete with a single trial


def by_sorting(most):
    rows = pd.DataFrame(NAMES, columns=["athlete_id", "trial_id"]).assign(site="harbour")
    ordered = in_order_of_lots(rows, ["site"], "trial_id")
    return ordered.loc[ordered["place"] < most, "trial_id"].tolist()


@pytest.mark.parametrize("most", [0, 1, 3, 7, 8, 20, 99])
def test_any_order_draws_the_same(most):
    drawn = by_sorting(most)
    assert len(drawn) == min(most, len(NAMES))
    for seed in range(20):
        offered = random.Random(seed).sample(NAMES, len(NAMES))
        lottery = Lottery(most)
        for athlete, name in offered:
            if lottery.admits(athlete, name):
                lottery.draw(athlete, name)
                assert name in lottery.names
            assert len(lottery.names) <= most
        assert lottery.names == frozenset(drawn)


def test_several_are_several_people():
    assert len({name.split(".")[0] for name in by_sorting(7)}) == 7
    # With more, the second of each come before the third of any; one athlete has no second.
    athletes = [name.split(".")[0] for name in by_sorting(13)]
    assert sorted(map(athletes.count, set(athletes))) == [1, 2, 2, 2, 2, 2, 2]
