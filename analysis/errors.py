"""What can go wrong between a recording and a finding.

AnalysisError
└── EyeError   the recording holds no samples of the eye that was asked for

A poor measurement is no error: it is a value that is missing, with its reason.
"""

from __future__ import annotations


class AnalysisError(Exception):
    """Anything that stops a recording from being analysed."""


class EyeError(AnalysisError):
    """The recording holds no samples of the eye that was asked for."""
