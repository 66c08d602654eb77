"""Pictures of calibration artefacts: finding their marks, and from these a scale."""
