"""Peers on both kinds of transport."""

import pytest

from tests.drivers.peers import Pty, TcpPeer


@pytest.fixture
def pty(tmp_path):
    peer = Pty(tmp_path / "port")
    yield peer
    peer.close()


@pytest.fixture
def tcp():
    peer = TcpPeer()
    yield peer
    peer.close()


@pytest.fixture(params=["pty", "tcp"])
def peer(request):
    """The same instrument on a pseudo-terminal and behind TCP."""
    return request.getfixturevalue(request.param)
