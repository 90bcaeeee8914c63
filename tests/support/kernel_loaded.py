"""Loads what a fuzzing child needs, once for all of them."""

import featurize.brep.build
import featurize.recognise
import featurize.step.kernel  # noqa: F401
