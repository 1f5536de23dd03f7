package rpc

import (
	"google.golang.org/protobuf/proto"

	pb "ponderal.example/api/ponderal/v1"
	"ponderal.example/internal/fault"
	"ponderal.example/internal/record"
)

// someKit stands for the kit of a stored series: whether there is one, only the use case knows.
const someKit = "of the stored series"

// meaningOf are the rules that a message breaks beyond those declared in the contract, as far as it can be read. It is asked only about
// messages that are refused already, so that one answer names all that is wrong; the use cases check the same for every message.
func meaningOf(m proto.Message, now record.Time) []fault.Violation {
	r := &reader{}
	var broken []fault.Violation
	switch m := m.(type) {
	case *pb.PutClinicRequest:
		r.clinic(m.GetClinic(), "clinic")
	case *pb.PutPayerRequest:
		r.payer(m.GetPayer(), "payer")
	case *pb.PutReferralRequest:
		r.referral(m.GetReferral(), "referral")
	case *pb.PutMemberRequest:
		r.member(m.GetMember(), "member")
	case *pb.CreateTokenRequest:
		r.newToken(m)
	case *pb.PutIdentityRequest:
		r.identity(m.GetIdentity(), "identity")
	case *pb.IssueSetupCodeRequest:
		r.text(m.GetReason(), "reason")
	case *pb.PutClientRequest:
		broken = record.CheckClient(r.client(m.GetClient(), "client"), now, "client")
	case *pb.PutJobProfileRequest:
		broken = record.CheckJobProfile(r.jobProfile(m.GetJobProfile(), "job_profile"), "job_profile")
	case *pb.PutReleaseRequest:
		broken = record.CheckRelease(r.release(m.GetRelease(), "release"), now, "release")
	case *pb.PutKitRequest:
		broken = record.CheckKit(r.kit(m.GetKit(), "kit"), "kit")
	case *pb.PublishProtocolRequest:
		broken = record.CheckProtocol(r.protocol(m.GetProtocol(), "protocol"), "protocol")
	case *pb.PushSessionRequest:
		broken = record.CheckSession(r.session(m.GetSession(), "session"), "session")
	case *pb.CorrectTrialRequest:
		broken = record.CheckTrial(r.correction(m).Trial, someKit, "trial")
	case *pb.CorrectSessionRequest:
		r.partCorrection(m)
	case *pb.RescoreSessionRequest:
		r.text(m.GetReason(), "reason")
	case *pb.RevokeTokenRequest:
		r.text(m.GetReason(), "reason")
	case *pb.SignResultRequest:
		r.signing(m)
	case *pb.SupersedeResultRequest:
		r.superseding(m)
	case *pb.AdviseRequest:
		broken = r.adviceQuestion(m).Check()
	default:
		broken = r.engineMeaning(m)
	}
	return merge(r.violations, broken)
}
