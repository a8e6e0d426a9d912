"""Rollout Watch: from recorded flights to judged landing rollouts."""

__version__ = "0.1.0"
