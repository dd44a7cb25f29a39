"""Shots: what a person does with takes: sampling, faces, people, carrying, drift, tracking, readings, cuts."""
