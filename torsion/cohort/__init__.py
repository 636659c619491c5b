"""Cohorts: many pairs of photos, from a list of files to statistics and a report."""
