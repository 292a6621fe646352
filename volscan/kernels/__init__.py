"""Compiled inner loops: arrays in, arrays out; each has a plain reference in the tests."""
