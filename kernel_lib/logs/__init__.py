"""What the car answered: a log is read, its columns are recognised, its pulls found, judged against the plan, and fitted."""
