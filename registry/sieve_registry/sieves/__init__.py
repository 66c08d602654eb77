"""Sieves, their life and the stacks they work in."""
