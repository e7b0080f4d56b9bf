"""Where pellets go beyond what like jobs need: effects and drift."""
