"""What a bench is judged by: number series and gaps, and the day's sum that must add up."""
