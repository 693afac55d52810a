"""Why a serial port cannot be used, in plain words."""

import errno


def explain(error: Exception, port: str) -> str:
    """Why the port cannot be used, and what to do, for the person at the bench."""
    number = getattr(error, "errno", None)
    if number == errno.ENOENT or "No such file" in str(error):
        return f"port {port} is not there; plugged in?"
    if number in (errno.EAGAIN, errno.EBUSY):
        return f"port {port} is in use by another program; stop that one first"
    if number in (errno.EACCES, errno.EPERM):
        return f"no permission for port {port}: add the user to the group dialout, log in again"
    if isinstance(error, ValueError):
        return f"port {port} cannot be opened so: {error}"
    return f"port {port} stopped answering; unplugged? ({error})"
