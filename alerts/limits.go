package alerts

import (
	"cmp"

	"dwindle/config"
)

// limits gives a site's alarm limits. A site file has them all when it was
// loaded; one made by hand may not, and a limit of zero would alarm always.
func limits(site *config.Site) config.Limits {
	l := site.Limits
	l.EmptyChance = cmp.Or(l.EmptyChance, config.DefaultEmptyChance)
	l.EmptyChanceCriticalA = cmp.Or(l.EmptyChanceCriticalA, config.DefaultEmptyChanceCriticalA)
	l.DriftDays = cmp.Or(l.DriftDays, config.DefaultDriftDays)
	l.DriftPercent = cmp.Or(l.DriftPercent, config.DefaultDriftPercent)
	l.UnderRatio = cmp.Or(l.UnderRatio, config.DefaultUnderRatio)
	l.UnderRatioClear = cmp.Or(l.UnderRatioClear, config.DefaultUnderRatioClear)
	l.OverRatio = cmp.Or(l.OverRatio, config.DefaultOverRatio)
	l.OverRatioClear = cmp.Or(l.OverRatioClear, config.DefaultOverRatioClear)
	l.MissedDoses = cmp.Or(l.MissedDoses, config.DefaultMissedDoses)
	l.SilenceIntervals = cmp.Or(l.SilenceIntervals, config.DefaultSilenceIntervals)
	l.SilenceMin = cmp.Or(l.SilenceMin, config.DefaultSilenceMin)
	l.GatewayDevices = cmp.Or(l.GatewayDevices, config.DefaultGatewayDevices)
	l.GatewayPercent = cmp.Or(l.GatewayPercent, config.DefaultGatewayPercent)
	l.SettingPercent = cmp.Or(l.SettingPercent, config.DefaultSettingPercent)
	l.SettingMediumPercent = cmp.Or(l.SettingMediumPercent, config.DefaultSettingMediumPercent)
	l.SettleAfterChange = cmp.Or(l.SettleAfterChange, config.DefaultSettleAfterChange)
	return l
}
