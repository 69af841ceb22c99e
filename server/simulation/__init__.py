"""Simulated learners, to compare the program's own scheduling with other ways to practise."""
