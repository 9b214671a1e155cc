"""Strahler's stream order.

Strahler, A. N. (1957), Quantitative analysis of watershed geomorphology, Trans. AGU 38(6), 913-920: the
rule. The network of seven links (5 = 1 + 2, 6 = 3 + 5, 7 = 6 + 4) has the orders 1 1 1 1 2 2 2; whole
numbers, no tolerance.
"""

import numpy as np

from washgrade.land.links import strahler_order

SEVEN_LINKS = np.array([4, 4, 5, 6, 5, 6, -1], np.int32)


def test_seven_links():
    assert strahler_order(SEVEN_LINKS).tolist() == [1, 1, 1, 1, 2, 2, 2]


def test_a_twin_that_rises_at_every_confluence_would_differ():
    order = np.ones(7, int)
    for link, below in enumerate(SEVEN_LINKS):
        if below >= 0:
            order[below] = max(order[below], order[link] + 1)
    assert order.tolist() != [1, 1, 1, 1, 2, 2, 2]


def test_two_of_second_order_make_a_third_and_three_of_first_only_a_second():
    assert strahler_order(np.array([2, 2, 6, 5, 5, 6, -1], np.int32)).tolist() == [1, 1, 2, 1, 1, 2, 3]
    assert strahler_order(np.array([3, 3, 3, -1], np.int32)).tolist() == [1, 1, 1, 2]
