"""The search for unused objects is put off while a tree is made, and comes back whatever happens."""

import gc

import pytest

from choreo.text.memory import collecting_later


def test_the_search_is_put_off_and_comes_back():
    assert gc.isenabled()
    with collecting_later():
        assert not gc.isenabled()
        with collecting_later():
            pass
        assert not gc.isenabled()
    assert gc.isenabled()


def test_it_comes_back_after_an_exception():
    with pytest.raises(KeyError), collecting_later():
        raise KeyError
    assert gc.isenabled()
