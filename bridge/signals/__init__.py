"""What a person must be told while nobody looks: causes become signals, each said once, repeated, acknowledged, ended. Pure."""
