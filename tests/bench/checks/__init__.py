"""The thirty telling checks of a rendered fundus, in full; run by ``tests.bench.fundus_checks``."""
