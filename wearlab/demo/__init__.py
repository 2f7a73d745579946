"""The invented demo fleet, with its planted truth beside it."""

from wearlab.demo.write import DemoWritten, simulate_demo, write_demo

__all__ = ["DemoWritten", "simulate_demo", "write_demo"]
