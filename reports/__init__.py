"""View-models, figures and files a person reads."""
