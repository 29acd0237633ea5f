"""What can keep the page from being served; apart, because the commands know it without loading the server."""


class PageError(Exception):
    """The page cannot be served. The message says why, in one line."""
