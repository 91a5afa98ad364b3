"""What is measured on recorded traffic: loads, cycle times, and what no definition tells."""
