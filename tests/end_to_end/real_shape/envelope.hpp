// Strike: a level that rises at once and falls by a constant share each sample.
#pragma once

class Strike {
public:
	void init(float sample_rate_hz)
	{
		level = 0.0f;
		share = 1.0f - 30.0f / sample_rate_hz;
	}
	void gate(bool on)
	{
		if (on)
			level = 1.0f;
	}
	float step()
	{
		level *= share;
		return level;
	}

private:
	float level, share;
};
