"""Estimators, intervals and resampling: arrays in, numbers out; this room knows no ecology."""
