"""What is to be looked at in collected data: findings, what is missing, participants step by step, answering times."""
