"""Nitrous oxide on a spark-ignition engine: the physics, the plan, the log. No widget lives here."""
