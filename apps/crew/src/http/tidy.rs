//! Names as people type them, brought to the one spelling that records are kept under. Past this
//! line no name is raw.

use gravelbar_visit::{
    BucketLabel, Channel, Fact, FieldValue, NameError, Pack, PassKey, PersonName, Setting,
    SpeciesName,
};

/// The fact with every name in it cleaned.
pub(super) fn tidy(mut fact: Fact) -> Result<Fact, NameError> {
    match &mut fact {
        Fact::Joined(f) => person(&mut f.person)?,
        Fact::Left(f) => person(&mut f.person)?,
        Fact::RoleTaken(f) => person(&mut f.person)?,
        Fact::RoleLeft(f) => person(&mut f.person)?,
        Fact::DeviceHeld(f) => person(&mut f.person)?,
        Fact::ReachLength(f) => channel(&mut f.channel)?,
        Fact::Width(f) => channel(&mut f.channel)?,
        Fact::NetEvent(f) => channel(&mut f.channel)?,
        Fact::Setting(f) => setting(f)?,
        Fact::Trial(f) => {
            setting(&mut f.setting)?;
            species_if(f.species.as_mut())?;
        }
        Fact::GearEvent(f) => pack(&mut f.pack)?,
        Fact::PassOpened(f) => pass(&mut f.pass)?,
        Fact::PassClosed(f) => pass(&mut f.pass)?,
        Fact::Counter(f) => {
            pass(&mut f.pass)?;
            pack(&mut f.pack)?;
        }
        Fact::Tally(f) => {
            pass(&mut f.pass)?;
            species(&mut f.species)?;
            bucket_if(f.bucket.as_mut())?;
        }
        Fact::Escape(f) => {
            pass(&mut f.pass)?;
            species(&mut f.species)?;
        }
        Fact::Bucket(f) => {
            pass(&mut f.pass)?;
            f.label = BucketLabel::new(f.label.as_str())?;
        }
        Fact::Fish(f) => {
            pass(&mut f.pass)?;
            species(&mut f.species)?;
            bucket_if(f.bucket.as_mut())?;
        }
        Fact::Batch(f) => {
            pass(&mut f.pass)?;
            species(&mut f.species)?;
            bucket_if(f.bucket.as_mut())?;
        }
        Fact::Death(f) => {
            pass(&mut f.pass)?;
            species(&mut f.species)?;
        }
        Fact::Amend(f) => {
            match &mut f.set {
                FieldValue::Species(name) => species(name)?,
                FieldValue::Pass(key) => pass(key)?,
                _ => {}
            }
            if let Some(scope) = &mut f.scope {
                species_if(scope.species.as_mut())?;
            }
        }
        Fact::Join(f) => {
            let mut names = f.names.here.values_mut().chain(f.names.there.values_mut());
            names.try_for_each(channel)?;
        }
        Fact::Tick(f) => f.person.as_mut().map_or(Ok(()), person)?,
        Fact::Untick(f) => f.person.as_mut().map_or(Ok(()), person)?,
        _ => {}
    }
    Ok(fact)
}

fn person(name: &mut PersonName) -> Result<(), NameError> {
    *name = PersonName::new(name.as_str())?;
    Ok(())
}

fn species(name: &mut SpeciesName) -> Result<(), NameError> {
    *name = SpeciesName::new(name.as_str())?;
    Ok(())
}

fn species_if(name: Option<&mut SpeciesName>) -> Result<(), NameError> {
    name.map_or(Ok(()), species)
}

fn bucket_if(label: Option<&mut BucketLabel>) -> Result<(), NameError> {
    if let Some(label) = label {
        *label = BucketLabel::new(label.as_str())?;
    }
    Ok(())
}

fn channel(name: &mut Channel) -> Result<(), NameError> {
    *name = Channel::new(name.as_str())?;
    Ok(())
}

fn pass(key: &mut PassKey) -> Result<(), NameError> {
    channel(&mut key.channel)
}

fn pack(name: &mut Pack) -> Result<(), NameError> {
    *name = Pack::new(name.as_str())?;
    Ok(())
}

fn setting(setting: &mut Setting) -> Result<(), NameError> {
    pack(&mut setting.pack)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_species_typed_with_capitals_and_blanks_is_the_species_on_the_pad() {
        let typed =
            r#"{"tally":{"pass":"main/1","species":"  Brook   TROUT ","n":1,"bucket":"1b"}}"#;
        let kept = r#"{"tally":{"pass":"main/1","species":"brook trout","n":1,"bucket":"1B"}}"#;
        let fact: Fact = serde_json::from_str(typed).expect("a tally");
        let tidied = serde_json::to_string(&tidy(fact).expect("a clean tally"));
        assert_eq!(tidied.expect("json"), kept);
    }

    #[test]
    fn a_blank_name_is_refused() {
        let blank = r#"{"joined":{"person":"   "}}"#;
        let fact: Fact = serde_json::from_str(blank).expect("a joining");
        assert!(matches!(tidy(fact), Err(NameError::Empty { .. })));
    }
}
