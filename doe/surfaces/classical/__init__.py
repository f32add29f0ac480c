"""Classical fits beside the Bayesian answer: effects, least squares, logistic, ordinal, mixed models."""
