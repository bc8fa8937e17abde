package quirks

import (
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/facts"
	"lendkeep/spec/pci"
)

// aside names what of the kernel's tables has nothing to do with lending, by the
// reason: a function that is neither here nor in the table fails.
var aside = map[string]string{
	"a card whose functions wake together: lone-function tells of them": `
		quirk_gpu_hda quirk_gpu_usb quirk_gpu_usb_typec_ucsi quirk_nvidia_hda`,
	"what is isolated without saying so: the groups tell": `
		pci_fixup_pericom_acs_store_forward pci_quirk_al_acs pci_quirk_amd_sb_acs pci_quirk_brcm_acs pci_quirk_cavium_acs pci_quirk_cavium_acs_match
		pci_quirk_disable_intel_spt_pch_acs_redir pci_quirk_enable_intel_pch_acs pci_quirk_enable_intel_spt_pch_acs pci_quirk_intel_pch_acs
		pci_quirk_intel_pch_acs_ids pci_quirk_intel_spt_pch_acs pci_quirk_intel_spt_pch_acs_match pci_quirk_loongson_acs
		pci_quirk_nxp_rp_acs pci_quirk_qcom_rp_acs pci_quirk_rciep_acs pci_quirk_wangxun_nic_acs pci_quirk_xgene_acs pci_quirk_zhaoxin_pcie_ports_acs`,
	"who else's number a device's DMA bears: its group tells": `
		SWITCHTEC_PCI100X_QUIRK SWITCHTEC_QUIRK quirk_dma_func0_alias quirk_dma_func1_alias quirk_fixed_dma_alias quirk_mic_x200_dma_alias
		quirk_pex_vca_alias quirk_plx_ntb_dma_alias quirk_use_pcie_bridge_dma_alias`,
	"a chipset, bridge or board of the host, mended before anybody uses it": `
		apex_pci_fixup_class asus_hides_ac97_lpc asus_hides_smbus_hostbridge asus_hides_smbus_lpc asus_hides_smbus_lpc_ich6 asus_hides_smbus_lpc_ich6_resume
		asus_hides_smbus_lpc_ich6_resume_early asus_hides_smbus_lpc_ich6_suspend dpc_log_size fixup_mpss_256 fixup_rev1_53c810 fixup_ti816x_class
		nvbridge_check_legacy_irq_routing nvidia_ion_ahci_fixup pci_disable_parity pci_fixup_no_d0_pme quirk_ali7101_acpi quirk_alimagik
		quirk_amd_780_apc_msi quirk_amd_8131_mmrbc quirk_amd_dwc_class quirk_amd_ide_mode quirk_amd_ordering quirk_apple_poweroff_thunderbolt
		quirk_ati_exploding_mce quirk_bridge_cavm_thrx2_pcie_root quirk_cardbus_legacy quirk_cavium_sriov_rnm_link quirk_citrine quirk_cs5536_vsa
		quirk_disable_pxb quirk_dunord quirk_e100_interrupt quirk_eisa_bridge quirk_enable_clear_retrain_link quirk_extend_bar_to_page quirk_hotplug_bridge
		quirk_huawei_pcie_sva quirk_ich4_lpc_acpi quirk_ich6_lpc quirk_ich7_lpc quirk_ide_samemode quirk_intel_mc_errata quirk_intel_ntb quirk_intel_pcie_pm
		quirk_intel_qat_vf_cap quirk_isa_dma_hangs quirk_jmicron_async_suspend quirk_jmicron_ata quirk_mediagx_master quirk_mmio_always_on quirk_natoma
		quirk_netmos quirk_nfp6000 quirk_no_ata_d3 quirk_nopciamd quirk_nopcipci quirk_p64h2_1k_io quirk_passive_release quirk_pcie_mch quirk_pcie_pxh
		quirk_piix4_acpi quirk_plx_pci9050 quirk_remove_d3hot_delay quirk_reset_lenovo_thinkpad_p50_nvgpu quirk_s3_64M quirk_sis_503 quirk_sis_96x_smbus
		quirk_svwks_csb5ide quirk_synopsys_haps quirk_tc86c001_ide quirk_tigerpoint_bm_sts quirk_transparent_bridge quirk_triton quirk_tw686x_class
		quirk_unhide_mch_dev6 quirk_via_acpi quirk_via_bridge quirk_via_cx700_pci_parking_caching quirk_via_ioapic quirk_via_vlink
		quirk_via_vt8237_bypass_apic_deassert quirk_viaetbf quirk_vialatency quirk_vsfx quirk_vt8235_acpi quirk_vt82c586_acpi quirk_vt82c598_id
		quirk_vt82c686_acpi quirk_xio2000a ricoh_mmc_fixup_r5c832 ricoh_mmc_fixup_rl5c476 rom_bar_overlap_defect vtd_mask_spec_errors`,
	"how packets or links are set, for speed or by an erratum": `
		aspm_l1_acceptable_latency quirk_brcm_5719_limit_mrrs quirk_chelsio_T5_disable_root_port_attributes quirk_disable_aspm_l0s quirk_disable_aspm_l0s_l1
		quirk_no_ext_tags quirk_nvidia_ck804_pcie_aer_ext_cap quirk_relaxedordering_disable`,
	"interrupts of the host itself": `
		disable_igfx_irq ht_enable_msi_mapping nv_msi_ht_cap_quirk_all nv_msi_ht_cap_quirk_leaf nvenet_msi_disable pci_fixup_no_msi_no_pme
		pci_quirk_nvidia_tegra_disable_rp_msi quirk_al_msi_disable quirk_alder_ioapic quirk_amd_ioapic quirk_disable_all_msi
		quirk_disable_amd_8111_boot_interrupt quirk_disable_amd_813x_boot_interrupt quirk_disable_broadcom_boot_interrupt quirk_disable_intel_boot_interrupt
		quirk_disable_msi quirk_fsl_no_msi quirk_msi_ht_cap quirk_msi_intx_disable_ati_bug quirk_msi_intx_disable_bug quirk_msi_intx_disable_qca_bug
		quirk_no_msi quirk_nvidia_ck804_msi_ht_cap quirk_reroute_to_boot_interrupts_intel quirk_thunderbolt_hotplug_msi`,
}

// The table is what the kernel's source says (testdata/linux.txt, made from it):
// no function of the source is unheard, and what the table has of one is all.
func TestTableIsTheKernels(t *testing.T) {
	told := map[string][]string{}
	for _, r := range table {
		told[r.From] = append(told[r.From], shown(r)...)
	}
	source := map[string][]string{}
	content, err := os.ReadFile("testdata/linux.txt")
	require.NoError(t, err)
	head, list, _ := strings.Cut(strings.TrimSpace(string(content)), "\n")
	assert.Contains(t, head, "Linux "+Version+":")
	for line := range strings.SplitSeq(list, "\n") {
		fields := strings.Fields(line)
		source[fields[1]] = append(source[fields[1]], spread(fields[2:])...)
	}
	for function, devices := range source {
		why := because(function)
		if mine := told[function]; mine != nil {
			assert.Empty(t, why, "%s is told and set aside", function)
			assert.ElementsMatch(t, devices, mine, function)
			continue
		}
		assert.NotEmpty(t, why, "%s of the kernel's source is neither told nor set aside", function)
	}
	for function := range told {
		assert.True(t, function == Memory || source[function] != nil, "%s is not in the kernel's source", function)
	}
}

// because says why a function of the kernel's is set aside.
func because(function string) string {
	for why, names := range aside {
		if slices.Contains(strings.Fields(names), function) {
			return why
		}
	}
	return ""
}

// shown gives the devices of a row as the source's list has them. Arrays and
// conditions inside a function are not declared with a vendor or device there.
func shown(r Row) []string {
	vendor, class := r.Vendor.String(), ""
	if r.Class != 0 && r.From != "nvme_disable_and_flr" {
		class = fmt.Sprintf(" %04x>>%d", r.Class, r.Shift)
	}
	if strings.HasSuffix(r.From, "_devs") {
		vendor = "-"
	}
	if len(r.Is) == 0 || r.From == "mellanox_check_broken_intx_masking" {
		return []string{vendor + " any" + class}
	}
	var list []string
	for _, device := range r.Is {
		list = append(list, vendor+" "+device.String()+class)
	}
	return list
}

// spread gives each device of a range by itself.
func spread(fields []string) []string {
	var first, last pci.ID
	if n, _ := fmt.Sscanf(fields[1], "%04x-%04x", &first, &last); n < 2 {
		return []string{strings.Join(fields, " ")}
	}
	var list []string
	for ; first <= last; first++ {
		list = append(list, fields[0]+" "+first.String())
	}
	return list
}

// Conditions that the kernel checks inside a function, read there (Version).
func TestConditionsOfRows(t *testing.T) {
	whats := func(f facts.Function) []What {
		var list []What
		for _, r := range Of(&f) {
			list = append(list, r.What)
		}
		return list
	}
	for name, c := range map[string]struct {
		f    facts.Function
		want []What
	}{
		"a drive that must be switched off first": {facts.Function{Vendor: 0x144d, Device: 0xa804, Class: facts.ClassNVMe}, []What{OwnReset}},
		"its number on another class":             {facts.Function{Vendor: 0x144d, Device: 0xa804, Class: 0x010601}, nil},
		"a graphics card by its masked number":    {facts.Function{Vendor: 0x10de, Device: 0x2342, Class: 0x030200}, []What{NoBusReset}},
		"the number after those":                  {facts.Function{Vendor: 0x10de, Device: 0x2380, Class: 0x030200}, nil},
		"the first revision":                      {facts.Function{Vendor: 0xd063, Device: 0x1000, Revision: 1}, []What{NoFLR}},
		"a later one":                             {facts.Function{Vendor: 0xd063, Device: 0x1000, Revision: 2}, nil},
		"revisions before C0":                     {facts.Function{Vendor: 0x8086, Device: 0x1452, Revision: 0x1f}, []What{NoTranslation}},
		"revision C0":                             {facts.Function{Vendor: 0x8086, Device: 0x1452, Revision: 0x20}, nil},
		"a class of any device":                   {facts.Function{Vendor: 0x1002, Device: 0x1234, Class: 0x030000}, []What{NoPowerReset}},
		"another class":                           {facts.Function{Vendor: 0x1002, Device: 0x1234, Class: 0x040300}, nil},
		"one maker's board": {facts.Function{Vendor: 0x1002, Device: 0x15d8, Revision: 0xcf, SubsystemVendor: 0xea50, SubsystemDevice: 0xcc08, Class: 0x038000},
			[]What{NoTranslation}},
		"another maker's":         {facts.Function{Vendor: 0x1002, Device: 0x15d8, Revision: 0xcf, SubsystemVendor: 0x1458, SubsystemDevice: 0xcc08, Class: 0x038000}, nil},
		"two rows, by sequence":   {facts.Function{Vendor: 0x8086, Device: 0x1572}, []What{BrokenINTx, HiddenINTx}},
		"a kind that is not read": {facts.Function{Vendor: 0x8086, Device: 0x1572, Gaps: []facts.Gap{{Fact: "device"}}}, nil},
	} {
		assert.Equal(t, c.want, whats(c.f), name)
	}
}

func TestEveryRowSaysWhatHappens(t *testing.T) {
	for _, r := range table {
		assert.True(t, strings.HasSuffix(r.Says, "."), "%+v", r)
		assert.NotEmpty(t, r.Source())
		assert.True(t, slices.IsSorted(r.Is) || r.From == Memory, "%+v", r)
	}
}
