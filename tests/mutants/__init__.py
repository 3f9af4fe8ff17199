"""Would the tests notice? Small changes to the code, one at a time, and whether a test fails."""
