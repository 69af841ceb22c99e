"""Fundus Rounds: spaced practice in recognising six fundus findings.

This package's top level imports nothing beyond the standard library, so that
``python3 -m server`` can set up its own environment before anything else loads.
"""
