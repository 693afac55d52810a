"""The first hours of a bench: its wires in a person's hands, before any program keeps it."""
