"""Runs on the microcontroller under MicroPython; the host imports it for tests and rehearsals."""
