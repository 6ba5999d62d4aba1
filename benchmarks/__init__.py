"""What Fairpanel reaches, measured: accuracy against made truth, and speed against the same machine's own pace."""
