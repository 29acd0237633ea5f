"""What a parent and its child process share: a piece of memory without a name, and a connected pair of sockets.

Neither leaves anything behind, however the two processes end: the memory is a file that has no name (POSIX) or a
mapping that goes with its last user (Windows), and a socket whose other end has died reads as closed.
"""

import base64
import mmap
import os
import socket
import sys
import tempfile
import uuid
from collections.abc import Mapping
from typing import Any


class SharedMemory:
    """Memory of the parent that a child can open: ``inherited`` go to the child's start, ``address`` to its main."""

    def __init__(self, size_bytes: int) -> None:
        self.inherited: tuple[int, ...] = ()
        self.address: dict[str, Any] = {"bytes": size_bytes}
        if sys.platform == "win32":
            tag = f"trimbridge-{uuid.uuid4()}"
            self.address["tag"] = tag
            self.mapping = mmap.mmap(-1, size_bytes, tagname=tag)
            return
        # A file in real memory where there is one: the pages of a file on disk are written back now and then, and an
        # audio callback that touches one meanwhile has to wait.
        if sys.platform == "linux":
            file = os.memfd_create("trimbridge")
        else:
            with tempfile.TemporaryFile() as named:
                file = os.dup(named.fileno())
        os.ftruncate(file, size_bytes)
        self.mapping = mmap.mmap(file, size_bytes)
        self.inherited = (file,)
        self.address["file"] = file

    def given(self) -> None:
        """Close what was only needed to hand the memory to the child."""
        for file in self.inherited:
            os.close(file)
        self.inherited = ()


def open_memory(address: Mapping[str, Any]) -> mmap.mmap:
    """Return the parent's memory, in the child."""
    if sys.platform == "win32":
        return mmap.mmap(-1, address["bytes"], tagname=address["tag"])
    mapping = mmap.mmap(address["file"], address["bytes"])
    os.close(address["file"])
    return mapping


def socket_address(end: socket.socket, child_pid: int) -> dict[str, Any]:
    """Return what the child needs to open its end of a pair; on POSIX it must inherit the descriptor, too."""
    if sys.platform == "win32":
        return {"share": base64.b64encode(end.share(child_pid)).decode()}
    return {"file": end.fileno()}


def open_socket(address: Mapping[str, Any]) -> socket.socket:
    """Return the child's end of the pair, in the child."""
    if sys.platform == "win32":
        shared = socket.fromshare(base64.b64decode(address["share"]))
        # There a pair of sockets is a TCP connection, which would collect single bytes before it sends them.
        shared.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        return shared
    return socket.socket(fileno=address["file"])
