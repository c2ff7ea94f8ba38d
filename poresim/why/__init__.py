"""The questions: what varies a result, what explains a difference, which explanation is likely."""
