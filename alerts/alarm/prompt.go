package alarm

import "dwindle/config/civil"

// PromptKind says what a prompt is about.
type PromptKind string

// The prompts.
const (
	PromptChange     PromptKind = "change_due"
	PromptCommission PromptKind = "commission"
	PromptRegister   PromptKind = "register"
	PromptEvidence   PromptKind = "evidence"
	PromptPlan       PromptKind = "plan_differs"
)

// Prompt is planned work or a decision without a hard deadline. Prompts are
// never alarms: they stand in the work list only.
type Prompt struct {
	Kind   PromptKind  `json:"kind"`
	Point  string      `json:"point,omitempty"`
	Device string      `json:"device,omitempty"`
	Due    *civil.Date `json:"due,omitempty"`
	Text   string      `json:"text"`
	Owner  string      `json:"owner"` // role id
}
