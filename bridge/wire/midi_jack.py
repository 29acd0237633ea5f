"""What the MIDI library does not tell of a JACK server: that it is gone, and that a port of ours is not wired any more.

After the server's end the library goes on to list the ports that there were; and a port that came back between two
looks is listed as before, but nothing of ours is connected to it. JACK's own library knows both.
"""

import ctypes
from collections.abc import Callable
from typing import Any, Final

_NO_START_SERVER: Final = 0x01
"""jack/types.h, JackNoStartServer: whether a server runs is the person's business."""

_Shutdown = ctypes.CFUNCTYPE(None, ctypes.c_void_p)


class JackGuard:
    """A client without ports beside those of the MIDI library.

    Parameters
    ----------
    client : str
        With what the names of our ports begin.
    gone : callable
        Called from a thread of JACK's when the server is gone. It must not return to this object.
    """

    def __init__(self, client: str, gone: Callable[[], None]) -> None:
        self._client_name = client.encode()
        self._gone = _Shutdown(lambda _: gone())
        self._client: Any = None
        self._library = _library()

    def running(self) -> bool:
        """Return whether there is a server; also when nothing is known for want of JACK's library."""
        if self._library is None or self._client is not None:
            return True
        status = ctypes.c_int()
        client = self._library.jack_client_open(self._client_name, _NO_START_SERVER, ctypes.byref(status))
        if client is None:
            return False
        self._client = client
        self._library.jack_on_shutdown(client, self._gone, None)
        return True

    def wired(self, port: str) -> bool:
        """Return whether a port that somebody else has is connected to one of ours."""
        if self._library is None or self._client is None:
            return True
        handle = self._library.jack_port_by_name(self._client, port.encode())
        if handle is None:
            return False
        names = self._library.jack_port_get_all_connections(self._client, handle)
        if not names:
            return False
        found, index = False, 0
        while names[index]:
            found = found or names[index].startswith(self._client_name)
            index += 1
        self._library.jack_free(names)
        return found

    def close(self) -> None:
        """Leave the server."""
        if self._library is not None and self._client is not None:
            self._library.jack_client_close(self._client)
            self._client = None


def _library() -> Any:
    """Return JACK's library, None where there is none; the MIDI library speaks to JACK on Linux only."""
    try:
        library = ctypes.CDLL("libjack.so.0")
    except OSError:
        return None
    library.jack_client_open.restype = ctypes.c_void_p
    library.jack_client_open.argtypes = [ctypes.c_char_p, ctypes.c_int, ctypes.POINTER(ctypes.c_int)]
    library.jack_on_shutdown.argtypes = [ctypes.c_void_p, _Shutdown, ctypes.c_void_p]
    library.jack_on_shutdown.restype = None
    library.jack_port_by_name.restype = ctypes.c_void_p
    library.jack_port_by_name.argtypes = [ctypes.c_void_p, ctypes.c_char_p]
    library.jack_port_get_all_connections.restype = ctypes.POINTER(ctypes.c_char_p)
    library.jack_port_get_all_connections.argtypes = [ctypes.c_void_p, ctypes.c_void_p]
    library.jack_free.argtypes = [ctypes.c_void_p]
    library.jack_free.restype = None
    library.jack_client_close.argtypes = [ctypes.c_void_p]
    return library
