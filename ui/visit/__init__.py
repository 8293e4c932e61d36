"""A visit as the technician leads it, without a window: who is here, what is asked, which test runs now.

    Visit -> GuidedTest (one procedure, step by step) -> events to the recorder
          -> LiveEyes (samples that the recorder shares -> degrees, beats, velocities)

Nothing here imports Qt, so all of it is tested by a stepped clock.
"""
