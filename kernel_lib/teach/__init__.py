"""What the plan teaches: rules of the trade held against the model of the car at hand."""
